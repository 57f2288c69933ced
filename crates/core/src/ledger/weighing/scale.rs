//! What the scale showed: tare, net weight, and what each batch gave of it.

use crate::{
    kinds::Basis,
    refusal::{FieldErrors, Refusal},
    units::quantity::{Grams, share_by_largest_remainder},
};

/// The heaviest gross weight that one weighing takes: nobody lifts more onto a bench scale.
pub const MAX_GROSS: Grams = Grams(60_000);

/// What stands under the mushrooms: `crates` of one kind, and a liner in each.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct Stack {
    /// Number of crates.
    pub crates: i32,
    /// Tare of one crate, dry or wet as it was.
    pub crate_g: Grams,
    /// Tare of one liner, dry or wet as it was.
    pub liner_g: Grams,
}

impl Stack {
    /// The tare of the whole stack.
    #[must_use]
    pub fn tare(self) -> Grams {
        Grams(i64::from(self.crates) * (self.crate_g.0 + self.liner_g.0))
    }
}

/// The net weight.
///
/// # Errors
/// Names the field that cannot be: a gross weight that is not positive or beyond [`MAX_GROSS`], a tare that is negative
/// or not below the gross weight, a trim that is negative or beyond [`MAX_GROSS`]. `tare_at` is the field that the tare comes from.
pub fn net(gross: Grams, tare: Grams, tare_at: &str, trim: Grams) -> Result<Grams, Refusal> {
    let mut faults = FieldErrors::default();
    faults.check(gross > Grams::ZERO, "/gross_g", "The gross weight is not above zero. Weigh again.");
    faults.check(
        gross <= MAX_GROSS,
        "/gross_g",
        format!("{gross} is more than one weighing takes ({MAX_GROSS}). Check the digits, or weigh in two."),
    );
    faults.check(tare >= Grams::ZERO, tare_at, "The tare is below zero. Give the weight of the empty stack.");
    faults.check(
        gross <= Grams::ZERO || tare < gross,
        tare_at,
        format!("The tare of {tare} leaves nothing of {gross} gross. Check the crates and the liner."),
    );
    faults.check(
        (Grams::ZERO..=MAX_GROSS).contains(&trim),
        "/trim_g",
        format!("The trim lies between 0 and {MAX_GROSS}."),
    );
    faults.done()?;
    Ok(gross - tare)
}

/// How much of a weighing a source gave, as it was entered.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum SourceAmount {
    /// Weighed apart: so many grams.
    Measured(Grams),
    /// A share by weight, such as the blocks in fruit.
    Share(i32),
}

/// Shares the weight among the sources. One source takes it all, and as measured; several either all say grams, which
/// must add up, or all say shares.
///
/// # Errors
/// Names the source or the list that cannot be.
pub fn share_sources(total: Grams, amounts: &[SourceAmount]) -> Result<Vec<(Grams, Basis)>, Refusal> {
    if amounts.is_empty() {
        return Err(Refusal::field("/sources", "A weighing comes from at least one batch. Choose the batch."));
    }
    if let ([SourceAmount::Share(_)], true) = (amounts, total > Grams::ZERO) {
        return Ok(vec![(total, Basis::Measured)]);
    }
    let shares: Vec<i64> = amounts
        .iter()
        .filter_map(|c| if let SourceAmount::Share(s) = c { Some(i64::from(*s)) } else { None })
        .collect();
    if shares.len() == amounts.len() {
        if let Some(i) = shares.iter().position(|s| !(1..=100_000).contains(s)) {
            return Err(Refusal::field(format!("/sources/{i}/share"), "A share lies between 1 and 100000."));
        }
        let grams = share_by_largest_remainder(total.0, &shares);
        if let Some(i) = grams.iter().position(|g| *g == 0) {
            return Err(Refusal::field(
                format!("/sources/{i}/share"),
                "This share comes to less than a gram. Leave the batch out, or weigh it apart.",
            ));
        }
        return Ok(grams.into_iter().map(|g| (Grams(g), Basis::Shared)).collect());
    }
    if !shares.is_empty() {
        return Err(Refusal::field(
            "/sources",
            "Some sources say grams and some say shares. Give one or the other for all.",
        ));
    }
    let grams: Vec<Grams> =
        amounts.iter().filter_map(|c| if let SourceAmount::Measured(g) = c { Some(*g) } else { None }).collect();
    if let Some(i) = grams.iter().position(|g| *g <= Grams::ZERO) {
        return Err(Refusal::field(
            format!("/sources/{i}/grams_g"),
            "A source gave more than zero grams, or is left out.",
        ));
    }
    let sum: i128 = grams.iter().map(|g| i128::from(g.0)).sum();
    if sum != i128::from(total.0) {
        return Err(Refusal::field(
            "/sources",
            format!("The sources add up to {sum} g and the weighing to {total}. Correct one of them, or give shares."),
        ));
    }
    Ok(grams.into_iter().map(|g| (g, Basis::Measured)).collect())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_tare_is_that_of_the_whole_stack() {
        let stack = Stack { crates: 3, crate_g: Grams(1450), liner_g: Grams(12) };
        assert_eq!(stack.tare(), Grams(4386));
        assert_eq!(net(Grams(10_000), stack.tare(), "/tare/crate", Grams::ZERO).unwrap(), Grams(5614));
    }

    #[test]
    fn weights_that_cannot_be_name_their_field() {
        for (gross, tare, trim, pointer) in [
            (0, 0, 0, "/gross_g"),
            (-5, 0, 0, "/gross_g"),
            (60_001, 0, 0, "/gross_g"),
            (1000, 1000, 0, "/tare/tare_g"),
            (1000, -1, 0, "/tare/tare_g"),
            (1000, 0, -1, "/trim_g"),
        ] {
            let refusal = net(Grams(gross), Grams(tare), "/tare/tare_g", Grams(trim)).unwrap_err();
            assert!(refusal.faults.iter().any(|f| f.pointer == pointer), "{gross} {tare} {trim}: {refusal:?}");
        }
    }

    #[test]
    fn sources_add_up() {
        let total = Grams(1001);
        assert_eq!(share_sources(total, &[SourceAmount::Share(1)]).unwrap(), [(total, Basis::Measured)]);
        assert_eq!(
            share_sources(total, &[SourceAmount::Share(1), SourceAmount::Share(1)]).unwrap(),
            [(Grams(501), Basis::Shared), (Grams(500), Basis::Shared)]
        );
        assert!(share_sources(total, &[SourceAmount::Measured(Grams(1000))]).is_err());
        assert!(share_sources(total, &[SourceAmount::Measured(Grams(1000)), SourceAmount::Share(1)]).is_err());
        assert!(share_sources(total, &[]).is_err());
        assert!(share_sources(Grams(1), &[SourceAmount::Share(1), SourceAmount::Share(1)]).is_err());
    }
}
