//! The journal of some days: what was sold, invoiced and paid, for the books.

use std::collections::BTreeMap;

use chrono::{Days, NaiveDate};
use gillbook_core::{
    kinds::SaleKind,
    refusal::Refusal,
    selling::journal::{JournalAccount, JournalKind, JournalLine, Sold, booked},
    text::CustomerCode,
    units::calendar::{Span, day_begins, day_of},
};
use rust_decimal::Decimal;

use crate::{Result, Tx};

/// Most days of books that are asked for at once: a year.
const MAX_BOOK_DAYS: i64 = 366;

impl Tx {
    /// The span of days that books are asked of.
    pub(crate) async fn span_of_books(&mut self, from: NaiveDate, until: NaiveDate) -> Result<Span> {
        if from > until {
            return Err(Refusal::field("from", "The first day is after the last. Swap them.").into());
        }
        if (until - from).num_days() > MAX_BOOK_DAYS {
            return Err(Refusal::field("from", "The books are told of one year at most. Ask for a part of it.").into());
        }
        let zone = self.farm_settings().await?.zone;
        let after = until.checked_add_days(Days::new(1)).unwrap_or(until);
        Ok(Span { from: day_begins(from, zone), until: day_begins(after, zone) })
    }

    /// The journal from one day to another, both counted. It adds up to nothing, and so does each document of it.
    ///
    /// # Errors
    /// Refuses days in the wrong order and more than a year.
    #[tracing::instrument(level = "debug", name = "store.reports.journal", skip_all, fields(farm_id = self.farm.0))]
    pub async fn journal(&mut self, from: NaiveDate, until: NaiveDate) -> Result<Vec<JournalLine>> {
        let span = self.span_of_books(from, until).await?;
        let settings = self.farm_settings().await?;
        let mut sums: BTreeMap<(NaiveDate, String, JournalAccount, CustomerCode), Decimal> = BTreeMap::new();
        for sale in self.sales(Some(span)).await? {
            let day = day_of(sale.at, settings.zone);
            let sold = Sold { at_stall: sale.kind == SaleKind::Stall, net: sale.amount, tax: sale.tax, fee: sale.fee };
            for (account, amount) in booked(sold) {
                *sums.entry((day, sale.document.clone(), account, sale.customer.clone())).or_default() += amount;
            }
        }
        let sold = sums.into_iter().filter(|(_, amount)| !amount.is_zero());
        let mut lines: Vec<JournalLine> = sold
            .map(|((booked_on, document, account, customer), amount)| JournalLine {
                booked_on,
                kind: JournalKind::Sale,
                document,
                account,
                customer,
                amount: settings.coinage.round(amount),
            })
            .collect();
        let rows = sqlx::query!(
            r#"select booked_on, kind as "kind: JournalKind", document, account as "account: JournalAccount", customer as "customer: CustomerCode", amount
                 from journal_line where farm_id = $1 and booked_on between $2 and $3 order by booked_on, document, line"#,
            self.farm.0,
            from,
            until
        )
        .fetch_all(&mut *self.db)
        .await?;
        lines.extend(rows.into_iter().map(|r| JournalLine {
            booked_on: r.booked_on,
            kind: r.kind,
            document: r.document,
            account: r.account,
            customer: r.customer,
            amount: settings.coinage.round(r.amount),
        }));
        // Stable: what was booked of a document stays in its order.
        lines.sort_by(|a, b| (a.booked_on, a.kind, &a.document).cmp(&(b.booked_on, b.kind, &b.document)));
        Ok(lines)
    }
}
