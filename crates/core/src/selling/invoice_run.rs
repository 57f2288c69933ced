//! Invoicing everybody at once: what was handed over until a day, one invoice a customer.

use std::collections::BTreeMap;

use chrono::NaiveDate;
use rust_decimal::Decimal;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use super::{
    billable::BillableLine,
    invoice::{MAX_DOCKETS, NewInvoice},
};
use crate::{
    refusal::Refusal,
    text::{CustomerCode, DocketCode, InvoiceCode, Note},
    units::{calendar::Day, quantity::Grams},
};

/// Most invoices that one run issues.
pub const MAX_INVOICES: usize = 200;

/// A run to be made.
#[derive(Debug, Clone, Default, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct NewInvoiceRun {
    /// What was handed over later waits for the next one; today unless said.
    pub until: Option<Day>,
}

/// What a run issued.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct InvoiceRun {
    /// The invoices.
    pub invoices: Vec<InvoiceCode>,
    /// What they ask for together, with tax.
    #[schema(value_type = String)]
    pub total: Decimal,
}

/// The invoices of a run, by customer. A customer of whom more dockets wait than an invoice takes gets several.
///
/// # Errors
/// Refuses a day to come, a run in which there is nothing to invoice, and one of more than [`MAX_INVOICES`].
pub fn plan_run(
    new: &NewInvoiceRun,
    unbilled: &[(CustomerCode, BillableLine)],
    today: NaiveDate,
) -> Result<Vec<NewInvoice>, Refusal> {
    let until = new.until.map_or(today, |day| day.0);
    if until > today {
        return Err(Refusal::field("/until", "That day is still to come. Use today or an earlier day."));
    }
    let mut dockets: BTreeMap<&CustomerCode, Vec<DocketCode>> = BTreeMap::new();
    for (customer, line) in unbilled {
        if line.unbilled_g() <= Grams::ZERO || line.delivered_on > until {
            continue;
        }
        let own = dockets.entry(customer).or_default();
        if own.last() != Some(&line.docket) {
            own.push(line.docket.clone());
        }
    }
    let invoices: Vec<NewInvoice> = dockets
        .into_iter()
        .flat_map(|(customer, dockets)| {
            let of = |dockets: &[DocketCode]| NewInvoice {
                customer: customer.clone(),
                dockets: dockets.to_vec(),
                extras: Vec::new(),
                issued_on: None,
                note: Note::default(),
            };
            dockets.chunks(MAX_DOCKETS).map(of).collect::<Vec<_>>()
        })
        .collect();
    match invoices.len() {
        0 => Err(Refusal::field("/until", format!("Nothing that was handed over until {until} waits for an invoice."))),
        n if n > MAX_INVOICES => Err(Refusal::field(
            "/until",
            format!("That would be {n} invoices, and {MAX_INVOICES} are issued at once. Use an earlier day first."),
        )),
        _ => Ok(invoices),
    }
}

#[cfg(test)]
mod tests {
    use super::{
        super::examples::{billable, day},
        *,
    };

    fn line(customer: &str, docket: &str, on: u32) -> (CustomerCode, BillableLine) {
        let line =
            BillableLine { docket: docket.parse().unwrap(), delivered_on: day(on), ..billable(1, 1000, "5.55", 0) };
        (customer.parse().unwrap(), line)
    }

    fn planned(until: u32, lines: &[(CustomerCode, BillableLine)]) -> Result<Vec<(String, Vec<String>)>, Refusal> {
        let invoices = plan_run(&NewInvoiceRun { until: Some(Day(day(until))) }, lines, day(20))?;
        Ok(invoices
            .into_iter()
            .map(|i| (i.customer.to_string(), i.dockets.iter().map(ToString::to_string).collect()))
            .collect())
    }

    #[test]
    fn each_customer_gets_one_of_what_they_had_by_the_day() {
        let mut lines =
            vec![line("PLUM", "D-1", 4), line("PLUM", "D-1", 4), line("CAFE", "D-2", 5), line("PLUM", "D-3", 6)];
        // What came back since is credited and not invoiced.
        let mut back = line("INN", "D-4", 4);
        back.1.billed_g = Grams(1000);
        back.1.kept_g = Grams(500);
        lines.push(back);
        assert_eq!(
            planned(5, &lines).unwrap(),
            [("CAFE".into(), vec!["D-2".into()]), ("PLUM".into(), vec!["D-1".into()])]
        );
        assert_eq!(planned(6, &lines).unwrap()[1].1, ["D-1", "D-3"]);
        assert_eq!(planned(3, &lines).unwrap_err().faults[0].pointer, "/until");
        assert_eq!(planned(21, &lines).unwrap_err().faults[0].pointer, "/until");
    }

    #[test]
    fn a_hundred_dockets_fill_an_invoice() {
        let lines: Vec<_> = (1..=101).map(|n| line("PLUM", &format!("D-{n}"), 4)).collect();
        let sizes: Vec<usize> = planned(4, &lines).unwrap().iter().map(|(_, dockets)| dockets.len()).collect();
        assert_eq!(sizes, [100, 1]);
        let many: Vec<_> = (1..=201).map(|n| line(&format!("C{n}"), &format!("D-{n}"), 4)).collect();
        assert_eq!(planned(4, &many).unwrap_err().faults[0].pointer, "/until");
    }
}
