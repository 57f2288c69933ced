//! What customers owe, and the statement of an account.

use std::collections::BTreeMap;

use chrono::NaiveDate;
use gillbook_core::{
    refusal::Refusal,
    selling::{
        billable::BillableLine,
        payment::OpenInvoice,
        receivables::{Ageing, Receivable, Statement, StatementKind, StatementRow, run_balance},
    },
    text::CustomerCode,
    units::money::CurrencyRules,
};
use rust_decimal::Decimal;

use crate::{Result, Tx};

/// Most days of a statement: two years.
const MAX_STATEMENT_DAYS: i64 = 731;

impl Tx {
    /// What each customer owes, who owes most overdue first; customers with nothing are left out.
    ///
    /// # Errors
    /// When the database fails.
    #[tracing::instrument(level = "debug", name = "store.selling.receivables", skip_all, fields(farm_id = self.farm.0))]
    pub async fn receivables(&mut self) -> Result<Vec<Receivable>> {
        let today = self.farm_day().await?;
        let coinage = self.farm_settings().await?.coinage;
        let mut open: BTreeMap<CustomerCode, Vec<OpenInvoice>> = BTreeMap::new();
        for owed in self.open_invoices(None).await? {
            open.entry(owed.customer).or_default().push(owed.invoice);
        }
        let mut unbilled: BTreeMap<CustomerCode, Vec<BillableLine>> = BTreeMap::new();
        for billable in self.unbilled(None).await? {
            unbilled.entry(billable.customer).or_default().push(billable.line);
        }
        let customers = sqlx::query!(
            r#"select customer as "customer: CustomerCode", name, credit_of($1, customer) as "credit!" from customer where farm_id = $1"#,
            self.farm.0
        )
        .fetch_all(&mut *self.db)
        .await?;
        let mut all: Vec<Receivable> = customers
            .into_iter()
            .map(|c| {
                let open = open.remove(&c.customer).unwrap_or_default();
                let unbilled = unbilled.remove(&c.customer).unwrap_or_default();
                let ageing = Ageing::of(&open, today);
                Receivable {
                    not_invoiced_net: not_invoiced(&unbilled, coinage),
                    open: coinage.round(ageing.open()),
                    overdue: coinage.round(ageing.overdue()),
                    ageing: rounded(ageing, coinage),
                    credit: coinage.round(c.credit),
                    customer: c.customer,
                    name: c.name,
                }
            })
            .filter(|r| !(r.not_invoiced_net.is_zero() && r.open.is_zero() && r.credit.is_zero()))
            .collect();
        all.sort_by(|a, b| (b.overdue, b.open, &a.name).cmp(&(a.overdue, a.open, &b.name)));
        Ok(all)
    }

    /// What is to be invoiced to a customer, or credited, docket line by docket line.
    ///
    /// # Errors
    /// When the database fails.
    #[tracing::instrument(level = "debug", name = "store.selling.to_invoice", skip_all, fields(farm_id = self.farm.0))]
    pub async fn to_invoice(&mut self, customer: &CustomerCode) -> Result<Vec<BillableLine>> {
        Ok(self.unbilled(Some(customer)).await?.into_iter().map(|b| b.line).collect())
    }

    /// A customer's account from one day to another: all of this year unless said.
    ///
    /// # Errors
    /// Refuses days in the wrong order and a span of more than two years.
    #[tracing::instrument(level = "debug", name = "store.selling.statement", skip_all, fields(farm_id = self.farm.0))]
    pub async fn statement(
        &mut self,
        code: &CustomerCode,
        from: Option<NaiveDate>,
        until: Option<NaiveDate>,
    ) -> Result<Statement> {
        let customer = self.customer(code).await?;
        let settings = self.farm_settings().await?;
        let coinage = settings.coinage;
        let today = self.farm_day().await?;
        let (from, until) = statement_span(from, until, today)?;
        let rows = sqlx::query!(
            r#"with row as (
                   select issued_on as day, kind, invoice as document, case kind when 'invoice' then total else -total end as amount, recorded_at
                     from invoice where farm_id = $1 and customer = $2
                   union all
                   select paid_on, 'payment', payment, -amount, recorded_at from payment where farm_id = $1 and customer = $2 and amount > 0
                   union all
                   select r.reversed_on, 'payment_reversal', p.payment, p.amount, r.recorded_at
                     from payment_reversal r join payment p using (farm_id, payment) where p.farm_id = $1 and p.customer = $2 and p.amount > 0)
               select null::date as day, null::text as "kind: StatementKind", null::text as document, sum(amount) as amount, null::timestamptz as recorded_at
                 from row where day < $3
               union all
               select day, kind, document, amount, recorded_at from row where day between $3 and $4
                order by day nulls first, recorded_at, document"#,
            self.farm.0,
            code.as_str(),
            from,
            until
        )
        .fetch_all(&mut *self.db)
        .await?;
        let opening = coinage.round(rows.first().and_then(|r| r.amount).unwrap_or_default());
        let rows = rows.into_iter().filter_map(|r| {
            let amount = coinage.round(r.amount?);
            Some(StatementRow { day: r.day?, kind: r.kind?, document: r.document?, amount, balance: Decimal::ZERO })
        });
        let (rows, closing) = run_balance(opening, rows.collect());
        let open: Vec<OpenInvoice> = self.open_invoices(Some(code)).await?.into_iter().map(|o| o.invoice).collect();
        Ok(Statement {
            customer: customer.customer,
            name: customer.name,
            from,
            until,
            currency: coinage.currency().to_owned(),
            opening_balance: opening,
            rows,
            closing_balance: closing,
            ageing: rounded(Ageing::of(&open, today), coinage),
            open_invoices: open,
            credit: self.credit_of(code).await?,
        })
    }
}

/// The days of a statement.
fn statement_span(
    from: Option<NaiveDate>,
    until: Option<NaiveDate>,
    today: NaiveDate,
) -> Result<(NaiveDate, NaiveDate), Refusal> {
    use chrono::Datelike;
    let until = until.unwrap_or(today);
    let from = from.unwrap_or_else(|| NaiveDate::from_ymd_opt(until.year(), 1, 1).unwrap_or(until));
    if from > until {
        return Err(Refusal::field("from", "The first day is after the last. Swap them."));
    }
    if (until - from).num_days() > MAX_STATEMENT_DAYS {
        return Err(Refusal::field("from", "A statement is of two years at most. Ask for a part of it."));
    }
    Ok((from, until))
}

fn not_invoiced(lines: &[BillableLine], coinage: CurrencyRules) -> Decimal {
    coinage.round(lines.iter().map(|l| l.unbilled_net(coinage)).sum())
}

fn rounded(a: Ageing, coinage: CurrencyRules) -> Ageing {
    Ageing {
        not_due: coinage.round(a.not_due),
        days_1_to_30: coinage.round(a.days_1_to_30),
        days_31_to_60: coinage.round(a.days_31_to_60),
        days_61_to_90: coinage.round(a.days_61_to_90),
        over_90_days: coinage.round(a.over_90_days),
    }
}
