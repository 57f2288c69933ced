//! A week from order to cash: what was ordered for it, sent and handed over in it, invoiced and paid, and what is owed at its end.

use std::collections::BTreeMap;

use chrono::NaiveDate;
use rust_decimal::Decimal;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use super::{
    journal::{JournalKind, JournalLine},
    pricing::{ListPrice, price_for, price_line},
};
use crate::{
    kinds::{CustomerKind, OrderStatus, PriceUnit, SaleKind},
    text::{CustomerCode, OrderCode},
    units::{calendar::IsoWeek, money::CurrencyRules, quantity::Grams},
};

/// Goods and what they are worth.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct Traded {
    /// How much.
    pub grams_g: Grams,
    /// For how much, without tax.
    #[schema(value_type = String)]
    pub net: Decimal,
}

impl Traded {
    fn add(&mut self, grams: Grams, net: Decimal) {
        self.grams_g += grams;
        self.net += net;
    }
}

/// The week of a channel, or of all, from order to cash.
///
/// Goods count in the week of their delivery day while they are ordered and sent, and in that of the hand-over or return once that happened;
/// money in the week of its document.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct OrderToCash {
    /// Ordered and promised for days of the week. A line is worth its docket's price, or that of the customer's list: now for today, when the
    /// day begins for one to come, and when it ended for one that is past.
    pub ordered: Traded,
    /// Grams of that for which there is no price; they are worth nothing in it.
    pub without_price_g: Grams,
    /// What of that went out, at the weights and prices of the dockets.
    pub sent: Traded,
    /// Handed over under dockets in the week, whenever it was ordered for; what came back is not taken off.
    pub handed_over: Traded,
    /// What came back in the week.
    pub returned: Traded,
    /// Sold at stalls.
    pub stall: Traded,
    /// Handed over, less what came back, and sold at stalls: the revenue of the week.
    pub sold: Traded,
    /// What stalls took, with tax: paid at once, and on no invoice.
    #[schema(value_type = String)]
    pub stall_takings: Decimal,
    /// What was owed when the week began: on invoices less credit notes and payments, with tax. Below zero where more was paid.
    #[schema(value_type = String)]
    pub opening: Decimal,
    /// Invoiced in the week, with tax.
    #[schema(value_type = String)]
    pub invoiced: Decimal,
    /// Credited in the week, with tax.
    #[schema(value_type = String)]
    pub credited: Decimal,
    /// Paid in the week; payments that were taken back in it are taken off.
    #[schema(value_type = String)]
    pub paid: Decimal,
    /// Given up in the week.
    #[schema(value_type = String)]
    pub written_off: Decimal,
    /// What is owed when the week ends: opening and invoiced, less credited, paid and written off.
    #[schema(value_type = String)]
    pub closing: Decimal,
}

/// An order of a week, with what of it went out.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct WeekOrder {
    /// The order.
    pub order: OrderCode,
    /// Whose it is.
    pub customer: CustomerCode,
    /// Their channel.
    pub channel: CustomerKind,
    /// The day it is wanted.
    pub delivery_day: NaiveDate,
    /// Where it stands.
    pub status: OrderStatus,
    /// What was ordered.
    pub ordered: Traded,
    /// Grams of that for which there is no price.
    pub without_price_g: Grams,
    /// What went out.
    pub sent: Traded,
}

/// The week from order to cash.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct WeekOrderToCash {
    /// The week.
    pub week: IsoWeek,
    /// ISO 4217 letters.
    pub currency: String,
    /// By channel; those of which nothing is known are left out.
    #[schema(value_type = HashMap<String, OrderToCash>)]
    pub channels: BTreeMap<CustomerKind, OrderToCash>,
    /// All channels together.
    pub total: OrderToCash,
    /// The orders that are in it, by day.
    pub orders: Vec<WeekOrder>,
    /// What was booked on what customers owe in the week: invoices, credit notes, payments. A debit is above zero.
    pub receivables: Vec<JournalLine>,
}

/// A line of an order with its prices.
#[derive(Debug, Clone)]
pub struct WeekOrderLine {
    /// The order.
    pub order: OrderCode,
    /// Whose it is.
    pub customer: CustomerCode,
    /// Their channel.
    pub channel: CustomerKind,
    /// The day it is wanted.
    pub delivery_day: NaiveDate,
    /// Where the order stands.
    pub status: OrderStatus,
    /// How much is ordered.
    pub ordered_g: Grams,
    /// Nominal grams of a pack.
    pub pack_g: Option<i32>,
    /// The product's tax rate, per cent.
    pub tax_percent: Decimal,
    /// The prices of the customer's list.
    pub prices: Vec<ListPrice>,
    /// The price without tax at which it went out.
    pub sent_price: Option<(Decimal, PriceUnit)>,
    /// What went out.
    pub sent: Traded,
}

impl WeekOrderLine {
    /// What the line is worth as it was ordered. Nothing where there is no price.
    fn worth(&self, coinage: CurrencyRules) -> Option<Decimal> {
        let listed = || price_for(&self.prices, self.ordered_g).map(|p| (p.without_tax(self.tax_percent), p.unit));
        let (price, unit) = self.sent_price.or_else(listed)?;
        price_line(price, unit, self.pack_g, &[self.ordered_g], coinage).pop()
    }
}

/// Goods that were sold, without their lots.
#[derive(Debug, Clone, Copy)]
pub struct SoldGoods {
    /// To whom.
    pub channel: CustomerKind,
    /// How.
    pub kind: SaleKind,
    /// How much; below zero of what came back.
    pub grams: Grams,
    /// For how much, without tax; below zero of what came back.
    pub net: Decimal,
    /// The tax that was taken with it.
    pub tax: Decimal,
}

/// A line of the journal on what customers owe.
#[derive(Debug, Clone)]
pub struct BookedReceivable {
    /// The channel of its customer.
    pub channel: CustomerKind,
    /// Whether it gives a debt up, where it is a payment's.
    pub is_write_off: bool,
    /// The line. A debit, which is more owed, is above zero.
    pub line: JournalLine,
}

/// The orders of lines, which are told one after the other.
#[must_use]
pub fn week_orders(lines: &[WeekOrderLine], coinage: CurrencyRules) -> Vec<WeekOrder> {
    let mut orders: Vec<WeekOrder> = Vec::new();
    for line in lines {
        if orders.last().is_none_or(|o| o.order != line.order) {
            orders.push(WeekOrder {
                order: line.order.clone(),
                customer: line.customer.clone(),
                channel: line.channel,
                delivery_day: line.delivery_day,
                status: line.status,
                ordered: Traded::default(),
                without_price_g: Grams::ZERO,
                sent: Traded::default(),
            });
        }
        let Some(order) = orders.last_mut() else { continue };
        let worth = line.worth(coinage);
        order.ordered.add(line.ordered_g, worth.unwrap_or_default());
        order.without_price_g += if worth.is_none() { line.ordered_g } else { Grams::ZERO };
        order.sent.add(line.sent.grams_g, line.sent.net);
    }
    for order in &mut orders {
        order.ordered.net = coinage.round(order.ordered.net);
        order.sent.net = coinage.round(order.sent.net);
    }
    orders
}

/// Adds up a week by channel, and altogether: its orders, what was sold in it, what was owed when it began, and what was booked on that since.
#[must_use]
pub fn order_to_cash(
    orders: &[WeekOrder],
    sold: impl IntoIterator<Item = SoldGoods>,
    opening: impl IntoIterator<Item = (CustomerKind, Decimal)>,
    booked: &[BookedReceivable],
    coinage: CurrencyRules,
) -> (BTreeMap<CustomerKind, OrderToCash>, OrderToCash) {
    let mut channels: BTreeMap<CustomerKind, OrderToCash> = BTreeMap::new();
    for order in orders {
        let of = channels.entry(order.channel).or_default();
        of.ordered.add(order.ordered.grams_g, order.ordered.net);
        of.without_price_g += order.without_price_g;
        of.sent.add(order.sent.grams_g, order.sent.net);
    }
    for sale in sold {
        let of = channels.entry(sale.channel).or_default();
        match sale.kind {
            SaleKind::HandedOver => of.handed_over.add(sale.grams, sale.net),
            SaleKind::Returned => of.returned.add(-sale.grams, -sale.net),
            SaleKind::Stall => {
                of.stall.add(sale.grams, sale.net);
                of.stall_takings += sale.net + sale.tax;
            }
        }
        of.sold.add(sale.grams, sale.net);
    }
    for (channel, amount) in opening {
        let of = channels.entry(channel).or_default();
        of.opening += amount;
        of.closing += amount;
    }
    for BookedReceivable { channel, is_write_off, line } in booked {
        let of = channels.entry(*channel).or_default();
        match line.kind {
            JournalKind::Invoice => of.invoiced += line.amount,
            JournalKind::CreditNote => of.credited -= line.amount,
            JournalKind::Payment | JournalKind::PaymentReversal if *is_write_off => of.written_off -= line.amount,
            JournalKind::Payment | JournalKind::PaymentReversal => of.paid -= line.amount,
            // Goods are owed for once they are invoiced.
            JournalKind::Sale => continue,
        }
        of.closing += line.amount;
    }
    let mut total = OrderToCash::default();
    for of in channels.values_mut() {
        total.take(of);
        of.round(coinage);
    }
    total.round(coinage);
    channels.retain(|_, of| *of != OrderToCash::default());
    (channels, total)
}

impl OrderToCash {
    /// What was ordered and did not go out, for as much as it was worth more than what did.
    #[must_use]
    pub fn not_sent(&self) -> Traded {
        let grams_g = (self.ordered.grams_g - self.sent.grams_g).max(Grams::ZERO);
        let net = if grams_g > Grams::ZERO { self.ordered.net - self.sent.net } else { Decimal::ZERO };
        Traded { grams_g, net }
    }

    /// Adds another. Every member is named, so that none is forgotten.
    fn take(&mut self, other: &Self) {
        let Self {
            ordered,
            without_price_g,
            sent,
            handed_over,
            returned,
            stall,
            sold,
            stall_takings,
            opening,
            invoiced,
            credited,
            paid,
            written_off,
            closing,
        } = other;
        self.without_price_g += *without_price_g;
        for (sum, of) in [
            (&mut self.ordered, ordered),
            (&mut self.sent, sent),
            (&mut self.handed_over, handed_over),
            (&mut self.returned, returned),
            (&mut self.stall, stall),
            (&mut self.sold, sold),
        ] {
            sum.add(of.grams_g, of.net);
        }
        for (sum, of) in [
            (&mut self.stall_takings, stall_takings),
            (&mut self.opening, opening),
            (&mut self.invoiced, invoiced),
            (&mut self.credited, credited),
            (&mut self.paid, paid),
            (&mut self.written_off, written_off),
            (&mut self.closing, closing),
        ] {
            *sum += *of;
        }
    }

    fn round(&mut self, coinage: CurrencyRules) {
        let Self {
            ordered,
            without_price_g: _,
            sent,
            handed_over,
            returned,
            stall,
            sold,
            stall_takings,
            opening,
            invoiced,
            credited,
            paid,
            written_off,
            closing,
        } = self;
        for traded in [ordered, sent, handed_over, returned, stall, sold] {
            traded.net = coinage.round(traded.net);
        }
        for amount in [stall_takings, opening, invoiced, credited, paid, written_off, closing] {
            *amount = coinage.round(*amount);
        }
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;
    use crate::{selling::journal::JournalAccount, units::money::Rounding};

    fn euro() -> CurrencyRules {
        CurrencyRules::new("EUR", Rounding::HalfUp).unwrap()
    }

    fn line(order: &str, grams: i64, prices: &[(i64, &str)]) -> WeekOrderLine {
        WeekOrderLine {
            order: order.parse().unwrap(),
            customer: "CAFE".parse().unwrap(),
            channel: CustomerKind::Restaurant,
            delivery_day: NaiveDate::from_ymd_opt(2026, 5, 6).unwrap(),
            status: OrderStatus::Confirmed,
            ordered_g: Grams(grams),
            pack_g: None,
            tax_percent: "5.5".parse().unwrap(),
            prices: prices
                .iter()
                .map(|(from_g, amount)| ListPrice {
                    from_g: Grams(*from_g),
                    amount: amount.parse().unwrap(),
                    unit: PriceUnit::Kg,
                    tax_included: false,
                })
                .collect(),
            sent_price: None,
            sent: Traded::default(),
        }
    }

    #[test]
    fn an_order_is_worth_what_its_lines_are_by_their_docket_or_else_their_list() {
        let list = [(0, "10"), (2000, "9")];
        let mut sent = line("O-2", 2000, &list);
        sent.sent_price = Some(("8.5".parse().unwrap(), PriceUnit::Kg));
        sent.sent = Traded { grams_g: Grams(1900), net: "16.15".parse().unwrap() };
        let orders =
            week_orders(&[line("O-1", 1500, &list), line("O-1", 2000, &list), line("O-1", 700, &[]), sent], euro());
        let told: Vec<_> = orders
            .iter()
            .map(|o| (o.ordered.grams_g.0, o.ordered.net.to_string(), o.without_price_g.0, o.sent.net.to_string()))
            .collect();
        // By hand: 1.5 × 10 and 2 × 9; of the second 2 × 8.5, and 1.9 × 8.5 went out.
        assert_eq!(told, [(4200, "33.00".into(), 700, "0.00".into()), (2000, "17.00".into(), 0, "16.15".into())]);
    }

    fn booked(channel: CustomerKind, kind: JournalKind, is_write_off: bool, cents: i64) -> BookedReceivable {
        let line = JournalLine {
            booked_on: NaiveDate::from_ymd_opt(2026, 5, 6).unwrap(),
            kind,
            document: "X-1".into(),
            account: JournalAccount::Receivables,
            customer: "CAFE".parse().unwrap(),
            amount: Decimal::new(cents, 2),
        };
        BookedReceivable { channel, is_write_off, line }
    }

    #[test]
    fn what_is_owed_goes_on_from_what_was() {
        use JournalKind::{CreditNote, Invoice, Payment, PaymentReversal};

        let cents = |n: i64| Decimal::new(n, 2);
        let (shop, cafe) = (CustomerKind::Shop, CustomerKind::Restaurant);
        let moved = [
            booked(shop, Payment, false, -10_000),
            booked(cafe, Invoice, false, 21_100),
            booked(cafe, CreditNote, false, -1_055),
            booked(cafe, Payment, false, -6_000),
            booked(cafe, PaymentReversal, false, 1_000),
            booked(cafe, Payment, true, -45),
        ];
        let (channels, total) = order_to_cash(&[], [], [(shop, cents(10_000))], &moved, euro());
        assert_eq!((channels[&shop].paid, channels[&shop].closing), (cents(10_000), cents(0)));
        let told = &channels[&cafe];
        assert_eq!(
            (told.credited, told.paid, told.written_off, told.closing),
            (cents(1_055), cents(5_000), cents(45), cents(15_000))
        );
        assert_eq!(
            (total.opening, total.invoiced, total.paid, total.closing),
            (cents(10_000), cents(21_100), cents(15_000), cents(15_000))
        );
    }

    #[test]
    fn returns_are_taken_off_what_was_sold_and_a_stall_is_paid_with_tax() {
        let goods = |kind, grams, net: &str, tax: &str| SoldGoods {
            channel: if kind == SaleKind::Stall { CustomerKind::Market } else { CustomerKind::Shop },
            kind,
            grams: Grams(grams),
            net: net.parse().unwrap(),
            tax: tax.parse().unwrap(),
        };
        let sold = [
            goods(SaleKind::HandedOver, 3000, "45.00", "0"),
            goods(SaleKind::Returned, -500, "-7.50", "0"),
            goods(SaleKind::Stall, 2000, "36.02", "1.98"),
        ];
        let (channels, total) = order_to_cash(&[], sold, [], &[], euro());
        assert_eq!(channels[&CustomerKind::Shop].returned, Traded { grams_g: Grams(500), net: Decimal::new(750, 2) });
        assert_eq!(channels[&CustomerKind::Shop].sold, Traded { grams_g: Grams(2500), net: Decimal::new(3750, 2) });
        assert_eq!(channels[&CustomerKind::Market].stall_takings, Decimal::new(3800, 2));
        assert_eq!(total.sold, Traded { grams_g: Grams(4500), net: Decimal::new(7352, 2) });
    }

    proptest! {
        /// Whatever was booked, a week ends with what it began with and what moved in it, by channel and altogether.
        #[test]
        fn a_week_closes_with_what_it_opened_with_and_what_moved(
            opening in prop::collection::vec((0usize..4, -100_000i64..100_000), 0..6),
            moved in prop::collection::vec((0usize..4, 1usize..5, any::<bool>(), -100_000i64..100_000), 0..60),
        ) {
            let opening = opening.iter().map(|(channel, n)| (CustomerKind::ALL[*channel], Decimal::new(*n, 2)));
            let moved: Vec<BookedReceivable> = moved
                .iter()
                .map(|(channel, kind, off, n)| booked(CustomerKind::ALL[*channel], JournalKind::ALL[*kind], *off, *n))
                .collect();
            let (channels, total) = order_to_cash(&[], [], opening, &moved, euro());
            for of in channels.values().chain([&total]) {
                prop_assert_eq!(of.opening + of.invoiced - of.credited - of.paid - of.written_off, of.closing);
            }
            prop_assert_eq!(channels.values().map(|of| of.closing).sum::<Decimal>(), total.closing);
        }
    }
}
