//! What usually sells. Each of the last weeks is one way in which the coming days may go: what customers ordered in it without a standing
//! order, and what stalls sold, is wished for again on the same days of the week.
//!
//! Each week is played through whole, so that customers who buy more in the same week stay together, and no shape of a distribution is
//! assumed.

use std::collections::{BTreeMap, BTreeSet};

use chrono::{DateTime, Datelike, Days, NaiveDate, NaiveTime, Utc};
use chrono_tz::Tz;

use super::{
    allocation::{Goods, LineDemand, Need},
    customer::order_by,
    simulation::Demand,
};
use crate::{
    kinds::Weekday,
    text::{CustomerCode, StrainCode},
    units::{calendar::at_clock, clock::ClockTime, quantity::Grams},
};

/// Weeks that are looked back on at most. Common practice: what chefs and a market take is like the last weeks, and the season moves on after
/// that.
pub const MAX_WEEKS: u64 = 8;

const DAYS_IN_WEEK: u64 = 7;

/// Who may order at any time is not expected any more from this time on the day itself, and a stall that is not loaded by then stays at home.
/// Common practice: what goes out goes out in the morning.
const LAST_EXPECTED: NaiveTime = NaiveTime::from_hms_opt(12, 0, 0).expect("noon");

/// What was ordered for a past day and went out, without a standing order, or what a stall sold on it.
#[derive(Debug, Clone, PartialEq)]
pub struct PastSale {
    /// Who took it; of a stall the customer that its sales are booked on.
    pub customer: CustomerCode,
    /// Their name.
    pub name: String,
    /// Whether it is a stall.
    pub is_stall: bool,
    /// The day it was for.
    pub day: NaiveDate,
    /// What would have done.
    pub need: Need,
    /// Grams of one pack where it is sold in packs.
    pub pack: Option<Grams>,
    /// Days that have to be left at delivery.
    pub least_days: u32,
    /// Freshest first instead of first-expiring-first.
    pub freshest: bool,
    /// Days before the delivery by which they order; counts with `order_by_time`.
    pub order_by_days: i32,
    /// The time of day by which they order; blank where they may order at any time.
    pub order_by_time: ClockTime,
    /// The days of the week on which they take deliveries; none where they take them on any.
    pub delivery_days: Vec<Weekday>,
    /// How much: what was ordered, also where less went out; of a stall what it sold.
    pub grams: Grams,
}

/// What the coming days are expected by.
#[derive(Debug, Clone)]
pub struct UsualDemand {
    /// Now.
    pub now: DateTime<Utc>,
    /// The farm's time zone.
    pub zone: Tz,
    /// The farm's day.
    pub today: NaiveDate,
    /// The first day on which anything was sold.
    pub first_day: Option<NaiveDate>,
    /// What was sold in the last [`MAX_WEEKS`] weeks before today.
    pub past: Vec<PastSale>,
    /// Days from yesterday on for which it is settled what a customer takes: there is an order, also one that was called off, a draft that
    /// goods are set aside for, or the stall has been loaded.
    pub settled: BTreeSet<(CustomerCode, NaiveDate)>,
    /// Those of them with an order that no standing order made: one on a day that is not usual was moved there.
    pub ad_hoc: BTreeSet<(CustomerCode, NaiveDate)>,
    /// Days on which nothing is delivered.
    pub closed_days: BTreeSet<NaiveDate>,
}

/// A past sale that may come again.
#[derive(Debug, Clone, PartialEq)]
pub struct Repeated<'a> {
    /// The sale.
    pub sale: &'a PastSale,
    /// What is wished for.
    pub demand: Demand,
}

impl UsualDemand {
    /// The first days of the weeks that are looked back on, the last week first. Each ends before today or a whole number of weeks before, so
    /// that its days are those of the coming week. Weeks from before the first sale say nothing.
    #[must_use]
    pub fn weeks(&self) -> Vec<NaiveDate> {
        let Some(first_day) = self.first_day else { return Vec::new() };
        let begins = |n: u64| self.today.checked_sub_days(Days::new(n * DAYS_IN_WEEK));
        (1..=MAX_WEEKS).filter_map(begins).take_while(|day| *day >= first_day).collect()
    }

    /// What is wished for from today up to a day, if the coming weeks go as the one that began on `week` did.
    #[must_use]
    pub fn as_in(&self, week: NaiveDate, until: NaiveDate) -> Vec<Repeated<'_>> {
        let mut by_day: BTreeMap<NaiveDate, Vec<&PastSale>> = BTreeMap::new();
        for sale in &self.past {
            by_day.entry(sale.day).or_default().push(sale);
        }
        let grades = self.grades_at_stalls();
        let usual_days = self.usual_days();
        let days = self.today.iter_days().take_while(|day| *day <= until).zip((0..DAYS_IN_WEEK).cycle());
        let sales = days.flat_map(|(day, n)| {
            by_day.get(&(week + Days::new(n))).into_iter().flatten().map(move |sale| (day, *sale))
        });
        sales
            .filter(|(day, sale)| self.may_come(sale, *day, &usual_days))
            .map(|(day, sale)| {
                let mut need = sale.need.clone();
                // A stall sells what it has: any grade that it sold of the strain lately will do.
                let sold = need.strains.iter().filter_map(|strain| grades.get(&(&sale.customer, strain))).max();
                need.least_rank = sold.map_or(need.least_rank, |rank| need.least_rank.max(*rank));
                let wish = LineDemand {
                    grams: sale.grams,
                    pack: sale.pack,
                    delivery_day: day,
                    least_days: sale.least_days,
                    freshest: sale.freshest,
                };
                Repeated { sale, demand: Demand { need, wish, set_aside: Vec::new() } }
            })
            .collect()
    }

    /// The lowest grade that each stall sold of a strain.
    fn grades_at_stalls(&self) -> BTreeMap<(&CustomerCode, &StrainCode), i32> {
        let mut grades = BTreeMap::new();
        for sale in self.past.iter().filter(|sale| sale.is_stall) {
            for strain in &sale.need.strains {
                let rank = grades.entry((&sale.customer, strain)).or_insert(sale.need.least_rank);
                *rank = sale.need.least_rank.max(*rank);
            }
        }
        grades
    }

    /// The days of the week on which customers took anything in at least half of the weeks.
    fn usual_days(&self) -> BTreeSet<(&CustomerCode, Weekday)> {
        let mut weeks: BTreeMap<(&CustomerCode, Weekday), BTreeSet<NaiveDate>> = BTreeMap::new();
        for sale in &self.past {
            weeks.entry((&sale.customer, sale.day.weekday().into())).or_default().insert(sale.day);
        }
        let of = self.weeks().len();
        weeks.into_iter().filter(|(_, days)| days.len() * 2 >= of).map(|(usual, _)| usual).collect()
    }

    /// Whether a sale may come again on a day. It may not where it is settled what the customer takes, also by an order that was moved to a day
    /// beside it, where the farm is closed, and once it is too late to order.
    fn may_come(&self, sale: &PastSale, day: NaiveDate, usual_days: &BTreeSet<(&CustomerCode, Weekday)>) -> bool {
        let is_usual = |day: NaiveDate| usual_days.contains(&(&sale.customer, day.weekday().into()));
        let ordered = |day: NaiveDate| self.ad_hoc.contains(&(sale.customer.clone(), day));
        let was_moved = [day.pred_opt(), day.succ_opt()].into_iter().flatten().any(|d| ordered(d) && !is_usual(d));
        !self.settled.contains(&(sale.customer.clone(), day)) && !was_moved && self.can_still_come(sale, day)
    }

    /// Whether it is not too late to order for a day on which the farm delivers.
    fn can_still_come(&self, sale: &PastSale, day: NaiveDate) -> bool {
        let order_by = order_by(sale.order_by_days, sale.order_by_time, day, self.zone);
        let comes_by = order_by.unwrap_or_else(|| at_clock(day, LAST_EXPECTED, self.zone));
        !self.closed_days.contains(&day) && comes_by > self.now
    }

    /// Whether there is a day until `until` on which a customer could have goods that are best before a day: they take deliveries, can still
    /// order, and have the days left that they ask for.
    fn can_have(&self, sale: &PastSale, best_before: NaiveDate, until: NaiveDate) -> bool {
        let days = self.today.iter_days().take_while(|day| *day <= until);
        days.filter(|day| sale.delivery_days.is_empty() || sale.delivery_days.contains(&day.weekday().into()))
            .any(|day| day + Days::new(sale.least_days.into()) <= best_before && self.can_still_come(sale, day))
    }

    /// Who usually takes goods like these, could have them until `until` with the days left that they ask for, has not ordered for any day until `until` and is not expected on any, with the median of what they
    /// took in the weeks in which they did, the lower of two. Usually is in at least half of the weeks.
    #[must_use]
    pub fn who_may_be_asked(&self, goods: &Goods, best_before: NaiveDate, until: NaiveDate) -> Vec<(&PastSale, Grams)> {
        let takes = |sale: &&PastSale| !sale.is_stall && sale.need.takes_once_packed(goods);
        let mut customers: BTreeMap<&CustomerCode, Vec<&PastSale>> = BTreeMap::new();
        for sale in self.past.iter().filter(takes) {
            customers.entry(&sale.customer).or_default().push(sale);
        }
        let has_ordered = |customer: &CustomerCode| {
            self.settled.iter().any(|(who, day)| who == customer && (self.today..=until).contains(day))
        };
        let usual_days = self.usual_days();
        let window: Vec<NaiveDate> = self.today.iter_days().take_while(|day| *day <= until).collect();
        let is_expected = |sale: &&PastSale| {
            let same_day = |day: &&NaiveDate| day.weekday() == sale.day.weekday();
            let is_usual = usual_days.contains(&(&sale.customer, sale.day.weekday().into()));
            is_usual && window.iter().filter(same_day).any(|day| self.may_come(sale, *day, &usual_days))
        };
        let weeks = self.weeks().len();
        let mut found = Vec::new();
        for (customer, sales) in customers {
            let by_week = self.by_week(sales.iter().copied());
            let is_usual = weeks > 0 && by_week.len() * 2 >= weeks;
            // The last sale of each, by day, names them.
            if let Some((sale, grams)) = sales.last().zip(middle(by_week))
                && is_usual
                && !has_ordered(customer)
                && !sales.iter().any(is_expected)
                && self.can_have(sale, best_before, until)
            {
                found.push((*sale, grams));
            }
        }
        found
    }

    /// The next day until `until` on which a stall usually stands and is not loaded yet, and how much more than in the middle week it sold of
    /// goods like these in its best.
    #[must_use]
    pub fn next_market(&self, goods: &Goods, until: NaiveDate) -> Option<(NaiveDate, Grams)> {
        let grades = self.grades_at_stalls();
        let sells = |sale: &&PastSale| {
            let rank = grades.get(&(&sale.customer, &goods.strain)).copied();
            sale.is_stall && sale.need.takes_kind(goods) && rank.is_some_and(|rank| goods.grade_rank <= rank)
        };
        let weeks = self.weeks().len();
        let days = self.today.iter_days().take_while(|day| *day <= until);
        days.filter_map(|day| {
            let sales = self.past.iter().filter(sells).filter(|s| s.day.weekday() == day.weekday());
            let open =
                |s: &&PastSale| !self.settled.contains(&(s.customer.clone(), day)) && self.can_still_come(s, day);
            let by_week = self.by_week(sales.filter(open));
            if by_week.is_empty() || weeks == 0 || by_week.len() * 2 < weeks {
                return None;
            }
            let best = by_week.iter().copied().max()?;
            Some((day, best - middle(by_week)?))
        })
        .find(|(_, more)| *more > Grams::ZERO)
    }

    /// Grams by week, of the weeks that have any.
    fn by_week<'a>(&self, sales: impl Iterator<Item = &'a PastSale>) -> Vec<Grams> {
        let mut weeks: BTreeMap<i64, Grams> = BTreeMap::new();
        for sale in sales {
            *weeks.entry((self.today - sale.day).num_days().saturating_sub(1) / 7).or_default() += sale.grams;
        }
        weeks.into_values().collect()
    }
}

/// The middle of some figures, the lower of two.
fn middle(mut figures: Vec<Grams>) -> Option<Grams> {
    figures.sort();
    figures.get(figures.len().saturating_sub(1) / 2).copied()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::{
        kinds::{Form, Packaging},
        selling::ways_to_sell::{LotToSell, WayToSell, ways_to_sell},
    };
    use rust_decimal::Decimal;

    fn day(n: u32) -> NaiveDate {
        NaiveDate::from_ymd_opt(2026, 5, n).unwrap()
    }

    fn code(customer: &str) -> CustomerCode {
        customer.parse().unwrap()
    }

    fn need(rank: i32) -> Need {
        Need { strains: vec!["OY".parse().unwrap()], least_rank: rank, form: Form::Fresh, packaging: None, keeps: None }
    }

    fn sale(customer: &str, on: u32, kg: i64) -> PastSale {
        PastSale {
            customer: code(customer),
            name: format!("The {customer}"),
            is_stall: false,
            day: day(on),
            need: need(2),
            pack: None,
            least_days: 1,
            freshest: false,
            order_by_days: 1,
            order_by_time: ClockTime::default(),
            delivery_days: Vec::new(),
            grams: Grams(kg * 1000),
        }
    }

    fn stall(on: u32, kg: i64, rank: i32) -> PastSale {
        PastSale { is_stall: true, least_days: 0, need: need(rank), ..sale("STALL", on, kg) }
    }

    /// On Monday the 18th at 8.
    fn usual(first_day: u32, past: Vec<PastSale>) -> UsualDemand {
        UsualDemand {
            now: day(18).and_hms_opt(8, 0, 0).unwrap().and_utc(),
            zone: chrono_tz::UTC,
            today: day(18),
            first_day: Some(day(first_day)),
            past,
            settled: BTreeSet::new(),
            ad_hoc: BTreeSet::new(),
            closed_days: BTreeSet::new(),
        }
    }

    fn wished(usual: &UsualDemand, week: u32, until: u32) -> Vec<(String, NaiveDate, i64)> {
        let of = |r: Repeated| (r.sale.customer.to_string(), r.demand.wish.delivery_day, r.demand.wish.grams.0 / 1000);
        usual.as_in(day(week), day(until)).into_iter().map(of).collect()
    }

    #[test]
    fn whole_weeks_since_the_first_sale_are_looked_back_on_and_at_most_eight() {
        assert_eq!(usual(12, Vec::new()).weeks(), []);
        assert_eq!(usual(11, Vec::new()).weeks(), [day(11)]);
        assert_eq!(usual(1, Vec::new()).weeks(), [day(11), day(4)]);
        let long = UsualDemand { first_day: NaiveDate::from_ymd_opt(2020, 1, 1), ..usual(1, Vec::new()) };
        assert_eq!(long.weeks().len(), 8);
        assert_eq!(UsualDemand { first_day: None, ..long }.weeks(), []);
    }

    #[test]
    fn what_sold_in_a_week_comes_again_on_its_days_of_the_week() {
        let usual = usual(4, vec![sale("PLUM", 5, 1), sale("PLUM", 12, 2), sale("ELM", 17, 3), sale("ELM", 11, 4)]);
        // Today is a Monday, and so was the 11th: what was bought on it comes today, and what was bought yesterday on Sunday.
        let elm = |on, kg| ("ELM".to_owned(), day(on), kg);
        let plum = |on, kg| ("PLUM".to_owned(), day(on), kg);
        assert_eq!(wished(&usual, 11, 24), [elm(18, 4), plum(19, 2), elm(24, 3)]);
        assert_eq!(wished(&usual, 4, 24), [plum(19, 1)]);
        // Beyond a week the same week comes again.
        assert_eq!(wished(&usual, 4, 27), [plum(19, 1), plum(26, 1)]);
    }

    #[test]
    fn what_is_settled_too_late_or_on_a_closed_day_does_not_come() {
        let past = vec![sale("PLUM", 12, 2), sale("ELM", 13, 1)];
        let settled = |customer: &str, on| {
            let days = BTreeSet::from([(code(customer), day(on))]);
            UsualDemand { settled: days.clone(), ad_hoc: days, ..usual(4, past.clone()) }
        };
        let customers = |usual: &UsualDemand| wished(usual, 11, 24).into_iter().map(|w| w.0).collect::<Vec<_>>();
        assert_eq!(customers(&settled("PLUM", 19)), ["ELM"]);
        assert_eq!(customers(&settled("PLUM", 20)), ["ELM"], "Tuesday's order was moved to Wednesday");
        assert_eq!(customers(&settled("PLUM", 21)), ["PLUM", "ELM"], "an order two days later is another one");
        let standing = UsualDemand { ad_hoc: BTreeSet::new(), ..settled("PLUM", 20) };
        assert_eq!(customers(&standing), ["PLUM", "ELM"], "a standing order beside it moves nothing");
        let both = UsualDemand { past: [past.clone(), vec![sale("PLUM", 13, 1)]].concat(), ..settled("PLUM", 20) };
        assert_eq!(customers(&both), ["PLUM", "ELM"], "Wednesday is a day of theirs, too");
        let closed = UsualDemand { closed_days: BTreeSet::from([day(20)]), ..usual(4, past.clone()) };
        assert_eq!(customers(&closed), ["PLUM"]);
        let late = PastSale { order_by_time: "07:59".parse().unwrap(), ..sale("PLUM", 12, 2) };
        assert_eq!(customers(&usual(4, vec![late.clone()])), Vec::<String>::new(), "they order by today at 7:59");
        let in_time = PastSale { order_by_time: "08:01".parse().unwrap(), ..late };
        assert_eq!(customers(&usual(4, vec![in_time])), ["PLUM"]);
        // Who may order at any time is expected until noon of the day.
        let at = |hour| UsualDemand {
            now: day(19).and_hms_opt(hour, 0, 0).unwrap().and_utc(),
            today: day(19),
            ..usual(5, past.clone())
        };
        let today = |hour| at(hour).as_in(day(12), day(19)).len();
        assert_eq!([today(11), today(12)], [1, 0]);
    }

    #[test]
    fn a_stall_takes_the_grades_that_it_sold_lately() {
        let usual = usual(4, vec![stall(9, 1, 3), stall(16, 2, 1), sale("PLUM", 12, 1)]);
        let ranks: Vec<i32> = usual.as_in(day(11), day(24)).iter().map(|r| r.demand.need.least_rank).collect();
        assert_eq!(ranks, [2, 3]);
    }

    fn ways(usual: &UsualDemand, at_risk: i64, last_day: u32) -> Vec<(String, i64)> {
        let goods =
            Goods { strain: "OY".parse().unwrap(), grade_rank: 2, form: Form::Fresh, packaging: Packaging::Open };
        let worth = |_: &StrainCode, grams: Grams| Some(Decimal::from(grams.0) / Decimal::ONE_HUNDRED);
        let of = |w: WayToSell| {
            assert!(w.money.is_none_or(|money| money == Decimal::from(w.grams_g.0) / Decimal::ONE_HUNDRED));
            let what = w.customer_name.or(w.day.map(|d| d.to_string())).unwrap_or_else(|| w.way.to_string());
            (what, w.grams_g.0)
        };
        let best_before = day(last_day + 2);
        let lot = |grams| LotToSell { goods: &goods, grams: Grams(grams), best_before, last_day: day(last_day) };
        // Of two lots of one strain it is told together.
        let lots = [lot(at_risk / 2), lot(at_risk - at_risk / 2)];
        let dried = BTreeSet::from([goods.strain.clone()]);
        ways_to_sell(usual, &lots, &dried, worth).into_iter().map(of).collect()
    }

    #[test]
    fn who_takes_it_in_half_of_the_weeks_and_has_not_ordered_is_asked() {
        // Four weeks are looked back on; PLUM came in two of them, twice in one, and ELM in one.
        let past = vec![sale("PLUM", 5, 1), sale("PLUM", 12, 2), sale("PLUM", 14, 1), sale("ELM", 13, 5)];
        let mut usual = UsualDemand { first_day: NaiveDate::from_ymd_opt(2026, 4, 20), ..usual(4, past) };
        assert_eq!(usual.weeks().len(), 4);
        assert_eq!(ways(&usual, 2500, 18), [("The PLUM".into(), 1000), ("dry".into(), 2500)]);
        assert_eq!(ways(&usual, 700, 18)[0].1, 700, "no more than there is");
        assert_eq!(ways(&usual, 2500, 19), [("dry".into(), 2500)], "on Tuesday they are expected in any case");
        usual.settled.insert((code("PLUM"), day(19)));
        assert_eq!(ways(&usual, 2500, 18).len(), 2, "they have ordered for later");
        usual.settled.insert((code("PLUM"), day(18)));
        assert_eq!(ways(&usual, 2500, 18), [("dry".into(), 2500)]);
        let new_farm = UsualDemand { first_day: Some(day(17)), past: vec![sale("PLUM", 17, 1)], ..usual };
        assert_eq!(ways(&new_farm, 2500, 18).len(), 1, "one sale is no habit");
    }

    #[test]
    fn nobody_is_asked_who_cannot_have_it_in_time() {
        let asked = |change: fn(&mut PastSale)| {
            let mut past = vec![sale("PLUM", 5, 1), sale("PLUM", 12, 1)];
            past.iter_mut().for_each(change);
            ways(&usual(4, past), 2500, 18).len() == 2
        };
        // Best before the 20th, to be sold today.
        assert!(asked(|_| {}));
        assert!(asked(|s| s.least_days = 2) && !asked(|s| s.least_days = 3));
        assert!(
            asked(|s| s.delivery_days = vec![Weekday::Monday]) && !asked(|s| s.delivery_days = vec![Weekday::Friday])
        );
        assert!(!asked(|s| s.order_by_time = "16:00".parse().unwrap()), "they would have ordered yesterday");
    }

    #[test]
    fn the_next_market_takes_what_its_best_day_sold_beyond_the_middle() {
        let usual = usual(4, vec![stall(9, 2, 3), stall(16, 5, 2)]);
        assert_eq!(ways(&usual, 2500, 22), [("dry".into(), 2500)], "Saturday is too late");
        assert_eq!(ways(&usual, 2500, 23), [("2026-05-23".into(), 2500), ("dry".into(), 2500)]);
        assert_eq!(ways(&usual, 4000, 23)[0].1, 3000);
        let loaded = UsualDemand { settled: BTreeSet::from([(code("STALL"), day(23))]), ..usual.clone() };
        assert_eq!(ways(&loaded, 4000, 23).len(), 1);
        assert_eq!(ways(&usual, 4000, 17), [], "nothing is dried that is past its day");
        let better = UsualDemand { past: vec![stall(9, 2, 1), stall(16, 5, 1)], ..usual };
        assert_eq!(ways(&better, 4000, 23).len(), 1, "it never sold a grade like that");
    }
}
