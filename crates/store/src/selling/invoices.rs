//! Invoices and credit notes: issued once and kept as they were.

use std::collections::{BTreeMap, BTreeSet};

use chrono::NaiveDate;
use gillbook_core::{
    kinds::PaperSize,
    party::Party,
    refusal::Refusal,
    selling::{
        billable::BillableLine,
        credit_note::{CreditFacts, NewCreditNote, draw_up_credit},
        customer::Customer,
        invoice::{Invoice, InvoiceFacts, InvoiceKind, InvoiceLine, InvoicePlan, NewInvoice, draw_up},
        invoice_run::{InvoiceRun, NewInvoiceRun, plan_run},
        payment::{NewPayment, PaymentMethod, PaymentShare, settled_from_door},
        tax::TaxTotal,
    },
    text::{CustomerCode, DocketCode, InvoiceCode, OrderCode, PaymentCode, Text},
    units::money::CurrencyRules,
};
use rust_decimal::Decimal;
use serde_json::{Value, json};
use sqlx::types::Json;

use crate::{Error, Pagination, Result, Tx, heads::Heads, selling::billable::Billable};

impl Tx {
    /// Issues an invoice of what some dockets handed over and no invoice has.
    ///
    /// # Errors
    /// As [`draw_up`] decides.
    #[tracing::instrument(level = "debug", name = "store.selling.issue_invoice", skip_all, fields(farm_id = self.farm.0))]
    pub async fn issue_invoice(&mut self, new: &NewInvoice) -> Result<Invoice> {
        let customer = self.lock_account(&new.customer).await?;
        let dockets: BTreeSet<&DocketCode> = new.dockets.iter().collect();
        self.lock_orders_of(&dockets).await?;
        let (own, under_way) = self.billable_for(&dockets, &customer.customer).await?;
        let farm = self.farm().await?;
        let facts = InvoiceFacts {
            billable: &own.into_iter().map(|b| b.line).collect::<Vec<_>>(),
            under_way: &under_way,
            today: self.farm_day().await?,
            last_issued_on: self.last_issued_on(InvoiceKind::Invoice).await?,
            payment_days: customer.payment_days,
            tax_by: farm.tax_by,
            coinage: self.farm_settings().await?.coinage,
        };
        let plan = draw_up(new, &facts)?;
        let head = json!({
            "kind": InvoiceKind::Invoice, "seller_name": farm.name, "seller_address": farm.letterhead(), "seller_tax_number": farm.tax_number,
            "payment_details": farm.payment_details, "tax_name": farm.tax_name, "note": new.note, "currency": farm.currency, "paper_size": farm.paper_size,
            "seller_country": farm.country, "seller_electronic_address": farm.electronic_address, "buyer_country": customer.country,
            "buyer_electronic_address": customer.electronic_address, "exemption_reason": if plan.has_untaxed() { &farm.exemption_reason } else { "" },
            "buyer_name": customer.name, "buyer_address": customer.address, "buyer_tax_number": customer.tax_number,
        });
        let invoice = self.post_invoice(head, &customer.customer, &plan).await?;
        self.settle_from_door(invoice).await
    }

    /// What was paid at the door for the dockets of an invoice settles it.
    async fn settle_from_door(&mut self, invoice: Invoice) -> Result<Invoice> {
        let dockets: BTreeSet<String> =
            invoice.lines.iter().filter_map(|l| l.docket.as_ref()).map(ToString::to_string).collect();
        let paid = sqlx::query_scalar!(
            r#"select coalesce(sum(p.amount), 0) as "paid!" from payment p
                where p.farm_id = $1 and p.docket = any ($2)
                  and not exists (select from payment_reversal r where r.farm_id = p.farm_id and r.payment = p.payment)"#,
            self.farm.0,
            &dockets.into_iter().collect::<Vec<_>>()
        )
        .fetch_one(&mut *self.db)
        .await?;
        if paid.is_zero() {
            return Ok(invoice);
        }
        let credit = self.free_credit_of(&invoice.customer).await?;
        let amount = settled_from_door(paid, credit, invoice.total);
        if amount.is_zero() {
            return Ok(invoice);
        }
        self.enter_payment(&NewPayment {
            customer: invoice.customer.clone(),
            amount: Decimal::ZERO,
            method: PaymentMethod::Cash,
            paid_on: None,
            reference: Text::new("paid at the door").map_err(Error::Stored)?,
            shares: Some(vec![PaymentShare { invoice: invoice.invoice.clone(), amount }]),
        })
        .await?;
        self.invoice(&invoice.invoice).await
    }

    /// Issues an invoice to each customer of what was handed over until a day and no invoice has.
    ///
    /// # Errors
    /// As [`plan_run`] and [`draw_up`] decide; then none is issued.
    #[tracing::instrument(level = "debug", name = "store.selling.run_invoices", skip_all, fields(farm_id = self.farm.0))]
    pub async fn run_invoices(&mut self, new: &NewInvoiceRun) -> Result<InvoiceRun> {
        let today = self.farm_day().await?;
        let planned = plan_run(new, &self.unbilled_pairs().await?, today)?;
        // All of them before the first number is taken: one who issues a single invoice locks the customer first, and then waits for the number.
        let customers: BTreeSet<String> = planned.iter().map(|i| i.customer.to_string()).collect();
        self.lock_accounts(&customers.into_iter().collect::<Vec<_>>()).await?;
        self.lock_orders_of(&planned.iter().flat_map(|i| &i.dockets).collect()).await?;
        // Planned again behind the locks, for the same customers.
        let mut run = InvoiceRun { invoices: Vec::new(), total: Decimal::ZERO };
        let locked: BTreeSet<CustomerCode> = planned.into_iter().map(|i| i.customer).collect();
        for invoice in plan_run(new, &self.unbilled_pairs().await?, today)? {
            if locked.contains(&invoice.customer) {
                let issued = self.issue_invoice(&invoice).await?;
                run.total += issued.total;
                run.invoices.push(issued.invoice);
            }
        }
        Ok(run)
    }

    async fn unbilled_pairs(&mut self) -> Result<Vec<(CustomerCode, BillableLine)>> {
        Ok(self.unbilled(None).await?.into_iter().map(|b| (b.customer, b.line)).collect())
    }

    async fn lock_accounts(&mut self, customers: &[String]) -> Result<()> {
        sqlx::query!(
            "select from customer where farm_id = $1 and customer = any ($2) order by customer for no key update",
            self.farm.0,
            customers
        )
        .execute(&mut *self.db)
        .await?;
        Ok(())
    }

    /// Issues a credit note for an invoice.
    ///
    /// # Errors
    /// As [`draw_up_credit`] decides.
    #[tracing::instrument(level = "debug", name = "store.selling.issue_credit_note", skip_all, fields(farm_id = self.farm.0))]
    pub async fn issue_credit_note(&mut self, new: &NewCreditNote) -> Result<Invoice> {
        let customer = self.invoice(&new.invoice).await.map_err(|error| blamed_on(error, "/invoice"))?.customer;
        self.lock_account(&customer).await?;
        // Read again behind the lock.
        let invoice = self.invoice(&new.invoice).await?;
        let dockets: BTreeSet<&DocketCode> = invoice.lines.iter().filter_map(|l| l.docket.as_ref()).collect();
        self.lock_orders_of(&dockets).await?;
        let (own, _) = self.billable_for(&dockets, &customer).await?;
        let facts = CreditFacts {
            invoice: &invoice,
            credited_tax: &self.credited_tax(&invoice.invoice).await?,
            billable: &own.into_iter().map(|b| b.line).collect::<Vec<_>>(),
            today: self.farm_day().await?,
            last_issued_on: self.last_issued_on(InvoiceKind::CreditNote).await?,
            tax_by: self.farm().await?.tax_by,
            coinage: self.farm_settings().await?.coinage,
        };
        let plan = draw_up_credit(new, &facts)?;
        let head = json!({
            "kind": InvoiceKind::CreditNote, "corrects": invoice.invoice, "seller_name": invoice.seller.name, "seller_address": invoice.seller.address,
            "seller_tax_number": invoice.seller.tax_number, "payment_details": "", "tax_name": invoice.tax_name, "note": new.reason,
            "currency": invoice.currency, "paper_size": invoice.paper_size, "exemption_reason": if plan.has_untaxed() { &invoice.exemption_reason } else { "" },
            "seller_country": invoice.seller.country, "seller_electronic_address": invoice.seller.electronic_address,
            "buyer_country": invoice.buyer.country, "buyer_electronic_address": invoice.buyer.electronic_address, "buyer_name": invoice.buyer.name, "buyer_address": invoice.buyer.address,
            "buyer_tax_number": invoice.buyer.tax_number,
        });
        self.post_invoice(head, &customer, &plan).await
    }

    /// One invoice or credit note.
    ///
    /// # Errors
    /// Refuses one that is not there.
    #[tracing::instrument(level = "debug", name = "store.selling.invoice", skip_all, fields(farm_id = self.farm.0))]
    pub async fn invoice(&mut self, code: &InvoiceCode) -> Result<Invoice> {
        self.invoices_where(Some(code), None, &Pagination { after: None, limit: 1 })
            .await?
            .pop()
            .ok_or_else(|| Refusal::not_found(InvoiceCode::NOUN, code).into())
    }

    /// Invoices and credit notes, of one customer or all, newest first.
    ///
    /// # Errors
    /// When the database fails.
    #[tracing::instrument(level = "debug", name = "store.selling.invoices", skip_all, fields(farm_id = self.farm.0))]
    pub async fn invoices(&mut self, of: Option<&CustomerCode>, page: &Pagination) -> Result<Vec<Invoice>> {
        self.invoices_where(None, of, page).await
    }

    /// Invoices that a docket is on, without those that were credited whole.
    ///
    /// # Errors
    /// When the database fails.
    #[tracing::instrument(level = "debug", name = "store.selling.invoices_of", skip_all, fields(farm_id = self.farm.0))]
    pub async fn invoices_of(&mut self, docket: &DocketCode) -> Result<Vec<InvoiceCode>> {
        Ok(sqlx::query_scalar!(
            r#"select distinct l.invoice as "invoice: InvoiceCode" from invoice_line l join invoice_settled i using (farm_id, invoice)
                where l.farm_id = $1 and l.docket = $2 and (i.credited < i.total or i.total = 0) order by 1"#,
            self.farm.0,
            docket.as_str()
        )
        .fetch_all(&mut *self.db)
        .await?)
    }

    /// Locks a customer's account: invoices, credit notes and payments of one customer are decided on one after another.
    pub(crate) async fn lock_account(&mut self, customer: &CustomerCode) -> Result<Customer> {
        self.lock_accounts(&[customer.to_string()]).await?;
        self.customer(customer).await
    }

    /// A delivery that is taken back, or goods that come back, take the order.
    async fn lock_orders_of(&mut self, dockets: &BTreeSet<&DocketCode>) -> Result<()> {
        let dockets: Vec<String> = dockets.iter().map(ToString::to_string).collect();
        let orders = sqlx::query_scalar!(
            r#"select distinct order_code as "order: OrderCode" from docket where farm_id = $1 and docket = any ($2)"#,
            self.farm.0,
            &dockets
        )
        .fetch_all(&mut *self.db)
        .await?;
        self.lock(&Heads { orders: &orders, ..Heads::default() }).await
    }

    /// Lines of dockets that are a customer's, and which of the dockets are on their way still.
    async fn billable_for(
        &mut self,
        dockets: &BTreeSet<&DocketCode>,
        customer: &CustomerCode,
    ) -> Result<(Vec<Billable>, BTreeSet<DocketCode>)> {
        let mut own = self.billable_of(dockets).await?;
        own.retain(|b| &b.customer == customer);
        let under_way = own.iter().filter(|b| b.under_way).map(|b| b.line.docket.clone()).collect();
        Ok((own, under_way))
    }

    async fn last_issued_on(&mut self, kind: InvoiceKind) -> Result<Option<NaiveDate>> {
        Ok(sqlx::query_scalar!(
            "select issued_on from invoice where farm_id = $1 and kind = $2 order by number desc limit 1",
            self.farm.0,
            kind.as_str()
        )
        .fetch_optional(&mut *self.db)
        .await?)
    }

    async fn credited_tax(&mut self, invoice: &InvoiceCode) -> Result<BTreeMap<Decimal, Decimal>> {
        let rows = sqlx::query!(
            r#"select t.tax_percent, sum(t.tax) as "tax!" from invoice c join invoice_tax t using (farm_id, invoice)
                where c.farm_id = $1 and c.corrects = $2 group by t.tax_percent"#,
            self.farm.0,
            invoice.as_str()
        )
        .fetch_all(&mut *self.db)
        .await?;
        Ok(rows.into_iter().map(|r| (r.tax_percent.normalize(), r.tax)).collect())
    }

    /// Writes a plan. `head` has the columns of `invoice` that the plan does not.
    async fn post_invoice(&mut self, head: Value, customer: &CustomerCode, plan: &InvoicePlan) -> Result<Invoice> {
        let corrects = &head["corrects"];
        let line = |l: &InvoiceLine| {
            json!({
                "line": l.line, "corrects": l.corrects_line.map(|_| corrects), "corrects_line": l.corrects_line, "docket": l.docket,
                "docket_line": l.docket_line, "delivered_on": l.delivered_on, "order_reference": l.order_reference, "description": l.description, "grams": l.grams_g,
                "packs": l.packs, "price": l.price, "unit": l.unit, "tax_percent": l.tax_percent, "net": l.net, "goods": l.goods_net,
            })
        };
        let mut document = json!({
            "customer": customer, "issued_on": plan.issued_on, "due_on": plan.due_on, "net": plan.sums.net, "tax": plan.sums.tax,
            "total": plan.sums.total, "recorded_at": self.now, "issued_by": self.actor.name,
            "lines": plan.lines.iter().map(line).collect::<Vec<_>>(), "taxes": plan.sums.taxes,
        });
        if let (Value::Object(document), Value::Object(head)) = (&mut document, head.clone()) {
            document.extend(head);
        }
        let code =
            sqlx::query_scalar!(r#"select post_invoice($1, $2) as "invoice!: InvoiceCode""#, self.farm.0, document)
                .fetch_one(&mut *self.db)
                .await?;
        self.invoice(&code).await
    }

    async fn invoices_where(
        &mut self,
        only: Option<&InvoiceCode>,
        of: Option<&CustomerCode>,
        page: &Pagination,
    ) -> Result<Vec<Invoice>> {
        let coinage = self.farm_settings().await?.coinage;
        let rows = sqlx::query!(
            r#"select i.invoice as "invoice: InvoiceCode", i.kind as "kind: InvoiceKind", i.customer as "customer: CustomerCode",
                      i.corrects as "corrects: InvoiceCode", i.issued_on, i.due_on, i.payment_details, i.currency, i.paper_size as "paper_size: PaperSize", i.exemption_reason,
                      jsonb_build_object('name', i.seller_name, 'address', i.seller_address, 'tax_number', i.seller_tax_number, 'country', i.seller_country, 'electronic_address', i.seller_electronic_address) as "seller!: Json<Party>",
                      jsonb_build_object('name', i.buyer_name, 'address', i.buyer_address, 'tax_number', i.buyer_tax_number, 'country', i.buyer_country, 'electronic_address', i.buyer_electronic_address) as "buyer!: Json<Party>",
                      i.tax_name, i.note, i.net, i.tax, i.total,
                      i.issued_by, coalesce(s.credited, 0) as "credited!", coalesce(s.paid, 0) as "paid!",
                      (select jsonb_agg(jsonb_build_object('line', l.line, 'corrects_line', l.corrects_line, 'docket', l.docket, 'docket_line', l.docket_line,
                                  'delivered_on', l.delivered_on, 'order_reference', l.order_reference, 'description', l.description, 'grams_g', l.grams, 'packs', l.packs,
                                  'price', l.price::text, 'unit', l.unit, 'tax_percent', l.tax_percent::text, 'net', l.net::text, 'goods_net', l.goods::text,
                                  'credited_g', coalesce(c.grams, 0), 'credited_net', coalesce(c.net, 0)::text) order by l.line)
                         from invoice_line l
                         left join lateral (select sum(c.grams)::bigint as grams, sum(c.net) as net from invoice_line c
                                             where c.farm_id = $1 and c.corrects = l.invoice and c.corrects_line = l.line) c on true
                        where l.farm_id = $1 and l.invoice = i.invoice) as "lines!: Json<Vec<InvoiceLine>>",
                      (select jsonb_agg(jsonb_build_object('tax_percent', t.tax_percent::text, 'net', t.net::text, 'tax', t.tax::text) order by t.tax_percent)
                         from invoice_tax t where t.farm_id = $1 and t.invoice = i.invoice) as "taxes!: Json<Vec<TaxTotal>>",
                      array(select c.invoice from invoice c where c.farm_id = $1 and c.corrects = i.invoice order by c.number) as "credit_notes!: Vec<InvoiceCode>",
                      array(select p.payment from payment_share p join payment y using (farm_id, payment) where p.farm_id = $1 and p.invoice = i.invoice
                               and not exists (select from payment_reversal r where r.farm_id = $1 and r.payment = p.payment)
                             order by y.number) as "payments!: Vec<PaymentCode>"
                 from invoice i left join invoice_settled s using (farm_id, invoice)
                where i.farm_id = $1 and ($2::text is null or i.invoice = $2) and ($3::text is null or i.customer = $3) and ($4::text is null or (i.recorded_at, i.invoice) < (select o.recorded_at, o.invoice from invoice o where o.farm_id = $1 and o.invoice = $4))
                order by i.recorded_at desc, i.invoice desc limit $5"#,
            self.farm.0,
            only.map(InvoiceCode::as_str),
            of.map(CustomerCode::as_str),
            page.after,
            page.limit
        )
        .fetch_all(&mut *self.db)
        .await?;
        Ok(rows
            .into_iter()
            .map(|r| Invoice {
                open: open_of(r.kind, r.total - r.credited - r.paid, coinage),
                invoice: r.invoice,
                kind: r.kind,
                customer: r.customer,
                corrects: r.corrects,
                issued_on: r.issued_on,
                due_on: r.due_on,
                seller: r.seller.0,
                buyer: r.buyer.0,
                exemption_reason: r.exemption_reason,
                payment_details: r.payment_details,
                currency: r.currency,
                paper_size: r.paper_size,
                tax_name: r.tax_name,
                note: r.note,
                lines: r.lines.0.into_iter().map(|l| rounded_line(l, coinage)).collect(),
                taxes: r.taxes.0.into_iter().map(|t| rounded_tax(&t, coinage)).collect(),
                net: coinage.round(r.net),
                tax: coinage.round(r.tax),
                total: coinage.round(r.total),
                credited: coinage.round(r.credited),
                paid: coinage.round(r.paid),
                credit_notes: r.credit_notes,
                payments: r.payments,
                issued_by: r.issued_by,
            })
            .collect())
    }
}

fn blamed_on(error: Error, pointer: &str) -> Error {
    match error {
        Error::Refused(refusal) => Error::Refused(refusal.at(pointer)),
        other => other,
    }
}

/// What is owed of a document: nothing of a credit note, and never less than nothing of an invoice.
fn open_of(kind: InvoiceKind, left: Decimal, coinage: CurrencyRules) -> Decimal {
    match kind {
        InvoiceKind::Invoice => coinage.round(left.max(Decimal::ZERO)),
        InvoiceKind::CreditNote => coinage.round(Decimal::ZERO),
    }
}

/// A line with its amounts at the scale of the currency, as the columns do not keep it.
fn rounded_line(line: InvoiceLine, coinage: CurrencyRules) -> InvoiceLine {
    InvoiceLine {
        price: line.price.map(|p| p.normalize()),
        tax_percent: line.tax_percent.normalize(),
        net: coinage.round(line.net),
        goods_net: coinage.round(line.goods_net),
        credited_net: coinage.round(line.credited_net),
        ..line
    }
}

fn rounded_tax(tax: &TaxTotal, coinage: CurrencyRules) -> TaxTotal {
    TaxTotal { tax_percent: tax.tax_percent.normalize(), net: coinage.round(tax.net), tax: coinage.round(tax.tax) }
}
