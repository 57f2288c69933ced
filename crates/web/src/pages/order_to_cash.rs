//! A week from order to cash: was what was ordered sent, handed over, invoiced and paid?

use askama::Template;
use axum::extract::State;
use gillbook_core::{
    Grams,
    kinds::CustomerKind,
    selling::{
        journal::{JournalKind, JournalLine},
        order_to_cash::{OrderToCash, Traded, WeekOrder, WeekOrderToCash},
    },
};
use rust_decimal::Decimal;

use super::{Html, Layout, date, full_day, kg, minus, orders::status_word};
use crate::{App, auth::Authenticated, extract::PathWeek, problem::Problem, read_tx};

#[derive(Template)]
#[template(path = "order_to_cash.html")]
pub(super) struct OrderToCashPage {
    head: Layout,
    week: String,
    previous: String,
    following: String,
    days: String,
    currency: String,
    closing: String,
    sold: String,
    /// The heads of the columns: the channels, and all of them where they are several.
    columns: Vec<&'static str>,
    goods: Vec<Stage>,
    owed: Vec<Stage>,
    without_price: Option<String>,
    /// What stalls took, where they took anything.
    stall_takings: Option<String>,
    orders: Vec<OrderRow>,
    documents: Vec<DocumentRow>,
}

/// A line of the table: what it is, and its figures by column.
struct Stage {
    name: &'static str,
    is_sum: bool,
    figures: Vec<Figure>,
}

struct Figure {
    amount: String,
    /// Kilograms, where goods stand behind it.
    kg: String,
}

struct OrderRow {
    order: String,
    customer: String,
    day: String,
    status: &'static str,
    ordered_kg: String,
    ordered: String,
    sent_kg: String,
    sent: String,
}

struct DocumentRow {
    /// Where it can be opened.
    address: String,
    document: String,
    what: &'static str,
    day: String,
    customer: String,
    amount: String,
}

const fn channel_name(channel: CustomerKind) -> &'static str {
    match channel {
        CustomerKind::Restaurant => "Restaurants",
        CustomerKind::Shop => "Shops",
        CustomerKind::Market => "Market",
        CustomerKind::Wholesale => "Wholesale",
    }
}

fn amount(sum: Decimal) -> String {
    if sum.is_zero() { "–".into() } else { minus(&sum.to_string()) }
}

/// A line of the table of goods; nothing where there is nothing in any column.
fn goods_stage(name: &'static str, columns: &[&OrderToCash], of: fn(&OrderToCash) -> Traded) -> Option<Stage> {
    let traded: Vec<Traded> = columns.iter().map(|c| of(c)).collect();
    let figure = |t: &Traded| Figure {
        amount: amount(t.net),
        kg: if t.grams_g == Grams::ZERO { String::new() } else { minus(&kg(t.grams_g)) },
    };
    traded.iter().any(|t| *t != Traded::default()).then(|| Stage {
        name,
        is_sum: false,
        figures: traded.iter().map(figure).collect(),
    })
}

/// A line of the table of what is owed; nothing where there is nothing in any column, unless it is wanted all the same.
fn owed_stage(
    name: &'static str,
    is_sum: bool,
    columns: &[&OrderToCash],
    of: fn(&OrderToCash) -> Decimal,
) -> Option<Stage> {
    let amounts: Vec<Decimal> = columns.iter().map(|c| of(c)).collect();
    (is_sum || amounts.iter().any(|a| !a.is_zero())).then(|| Stage {
        name,
        is_sum,
        figures: amounts.into_iter().map(|sum| Figure { amount: amount(sum), kg: String::new() }).collect(),
    })
}

fn order_row(order: &WeekOrder) -> OrderRow {
    OrderRow {
        order: order.order.to_string(),
        customer: order.customer.to_string(),
        day: full_day(order.delivery_day),
        status: status_word(order.status),
        ordered_kg: kg(order.ordered.grams_g),
        ordered: amount(order.ordered.net),
        sent_kg: kg(order.sent.grams_g),
        sent: amount(order.sent.net),
    }
}

fn document_row(line: &JournalLine) -> DocumentRow {
    let (path, what) = match line.kind {
        JournalKind::Invoice => ("/invoices", "invoice"),
        JournalKind::CreditNote => ("/invoices", "credit note"),
        JournalKind::Payment => ("/payments", "payment"),
        JournalKind::PaymentReversal => ("/payments", "payment taken back"),
        JournalKind::Sale => ("/dockets", "sale"),
    };
    DocumentRow {
        address: format!("{path}/{}", line.document),
        document: line.document.clone(),
        what,
        day: date(line.booked_on),
        customer: line.customer.to_string(),
        amount: amount(line.amount),
    }
}

fn order_to_cash_page(head: Layout, told: &WeekOrderToCash) -> OrderToCashPage {
    let mut columns: Vec<(&'static str, &OrderToCash)> =
        told.channels.iter().map(|(channel, of)| (channel_name(*channel), of)).collect();
    if columns.len() != 1 {
        // First, so that a narrow screen cuts off none of it.
        columns.insert(0, ("Total", &told.total));
    }
    let (columns, of): (Vec<_>, Vec<_>) = columns.into_iter().unzip();
    let goods = [
        goods_stage("Ordered", &of, |c| c.ordered),
        goods_stage("Sent", &of, |c| c.sent),
        goods_stage("Not sent", &of, OrderToCash::not_sent),
        goods_stage("Handed over", &of, |c| c.handed_over),
        goods_stage("Came back", &of, |c| Traded { grams_g: -c.returned.grams_g, net: -c.returned.net }),
        goods_stage("Sold at the stall", &of, |c| c.stall),
        goods_stage("Sold", &of, |c| c.sold).map(|stage| Stage { is_sum: true, ..stage }),
    ];
    let owed = [
        owed_stage("Owed before", false, &of, |c| c.opening),
        owed_stage("Invoiced", false, &of, |c| c.invoiced),
        owed_stage("Credited", false, &of, |c| -c.credited),
        owed_stage("Paid", false, &of, |c| -c.paid),
        owed_stage("Written off", false, &of, |c| -c.written_off),
        owed_stage("Owed after", true, &of, |c| c.closing),
    ];
    let without_price = told.total.without_price_g;
    OrderToCashPage {
        head,
        week: told.week.to_string(),
        previous: told.week.previous().to_string(),
        following: told.week.next().to_string(),
        days: format!("{} to {}", full_day(told.week.monday()), full_day(told.week.sunday())),
        currency: told.currency.clone(),
        closing: minus(&told.total.closing.to_string()),
        sold: minus(&told.total.sold.net.to_string()),
        columns,
        goods: goods.into_iter().flatten().collect(),
        owed: owed.into_iter().flatten().collect(),
        without_price: (without_price > Grams::ZERO).then(|| kg(without_price)),
        stall_takings: (!told.total.stall_takings.is_zero()).then(|| amount(told.total.stall_takings)),
        orders: told.orders.iter().map(order_row).collect(),
        documents: told.receivables.iter().map(document_row).collect(),
    }
}

pub(super) async fn get_order_to_cash(
    State(app): State<App>,
    who: Authenticated,
    PathWeek(week): PathWeek,
) -> Result<Html<OrderToCashPage>, Problem> {
    let view = read_tx!(app, who, |tx| {
        let farm = tx.farm().await?;
        Ok(order_to_cash_page(Layout::new(&farm, &who, "/week"), &tx.order_to_cash(week).await?))
    })?;
    Ok(Html(view))
}
