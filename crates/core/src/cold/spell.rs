//! Warm spells: when one is settled, and what is taken of the lots that were inside.
//!
//! A spell is *open* while it lasts. One that has ended is *undecided* for a lot until somebody has written down what became of that lot
//! and a second person has countersigned that very action; then it is *settled* for the lot. Until it is settled the lot carries the caution wherever it
//! can be set aside or sent out. Nothing here judges food: the local food-safety rules and the farm's own plan decide.

use crate::{Grams, kinds::SpellStanding, text::PlaceCode};

/// Where a spell stands for a lot: `ended`, `decided` by an action that names the lot (or one that it was made of since), and
/// `countersigned` by a second person.
#[must_use]
pub const fn standing(ended: bool, decided: bool, countersigned: bool) -> SpellStanding {
    match (ended, decided && countersigned) {
        (false, _) => SpellStanding::Open,
        (true, false) => SpellStanding::Undecided,
        (true, true) => SpellStanding::Settled,
    }
}

/// Whether somebody is a second person to an action, who may countersign it: `dealt` are the one who did it and the one who was signed in.
#[must_use]
pub fn is_second_person(signer: &str, dealt: [&str; 2]) -> bool {
    !dealt.contains(&signer)
}

/// Takes `wanted` grams out of what stands at some places, in their order. Gives what each place gives, never more than it has; together
/// `wanted`, or all that is there.
#[must_use]
pub fn take(wanted: Grams, there: &[(PlaceCode, Grams)]) -> Vec<(PlaceCode, Grams)> {
    let mut left = wanted;
    let mut taken = Vec::new();
    for (place, has) in there {
        let grams = left.min(*has);
        if grams > Grams::ZERO {
            taken.push((place.clone(), grams));
            left -= grams;
        }
    }
    taken
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn only_what_ended_was_decided_and_countersigned_is_settled() {
        for (ended, decided, countersigned, expected) in [
            (false, false, false, SpellStanding::Open),
            (false, true, true, SpellStanding::Open),
            (true, false, false, SpellStanding::Undecided),
            (true, true, false, SpellStanding::Undecided),
            (true, false, true, SpellStanding::Undecided),
            (true, true, true, SpellStanding::Settled),
        ] {
            assert_eq!(standing(ended, decided, countersigned), expected, "{ended} {decided} {countersigned}");
        }
    }

    #[test]
    fn neither_who_did_it_nor_who_was_signed_in_is_a_second_person() {
        assert!(is_second_person("VE", ["AB", "JP"]));
        assert!(!is_second_person("AB", ["AB", "JP"]));
        assert!(!is_second_person("JP", ["AB", "JP"]));
    }

    #[test]
    fn grams_are_taken_in_the_order_of_the_places_and_never_more_than_there_are() {
        let place = |code: &str| code.parse::<PlaceCode>().unwrap();
        let there = [(place("F1"), Grams(300)), (place("F2"), Grams(0)), (place("STALL"), Grams(500))];
        assert_eq!(take(Grams(400), &there), [(place("F1"), Grams(300)), (place("STALL"), Grams(100))]);
        assert_eq!(take(Grams(9000), &there).iter().map(|t| t.1).sum::<Grams>(), Grams(800));
        assert_eq!(take(Grams(0), &there), []);
    }
}
