//! What must be sold first, and why nobody has ordered it.

use std::borrow::Cow;

use chrono::{Days, NaiveDate};
use gillbook_core::{
    Grams,
    cold::{CAUTION, shelf_life::LifeLeft},
    kinds::{Form, RiskReason},
    selling::{
        risk::{AtRisk, DemandOf, Reason, TakenBy, at_risk, urgency},
        simulation::{Demand, Stock},
        usual_demand::Repeated,
        ways_to_sell::{LotToSell, WayToSell, ways_to_sell},
    },
    text::{LotCode, OrderCode, PlaceCode, StrainCode},
    units::{calendar::day_of, money::CurrencyRules},
};
use rust_decimal::Decimal;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use crate::{
    Result, Tx,
    ledger::lot_state::LotState,
    reports::supply::{GoodsIn, Ordered},
};

/// How far ahead a last day is still told of, in days.
pub(super) const HORIZON_DAYS: u64 = 14;

/// What a lot's last day follows from.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum EndsBy {
    /// The farm's own best-before rule.
    BestBefore,
    /// The low end of its shelf life by the temperatures on its way.
    ShelfLife,
}

/// Grams of a lot in a fridge or on a shelf that are as likely left when its days are over as not, or more.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct RiskRow {
    /// The lot.
    pub lot: LotCode,
    /// Its strain.
    pub strain: StrainCode,
    /// Where it is.
    pub place: PlaceCode,
    /// Grams of it there.
    pub stock_g: Grams,
    /// Of those, grams at risk: what is left by the last day in at least half of the weeks that are looked back on, if the coming days go as
    /// in them. Without such a week, what no order takes.
    pub at_risk_g: Grams,
    /// What is left in the best of those weeks.
    pub low_g: Grams,
    /// What is left in the worst of those weeks.
    pub high_g: Grams,
    /// What the grams at risk would bring, at the mean price of the last four weeks.
    #[schema(value_type = Option<String>)]
    pub money: Option<Decimal>,
    /// Likewise `low_g`.
    #[schema(value_type = Option<String>)]
    pub money_low: Option<Decimal>,
    /// Likewise `high_g`.
    #[schema(value_type = Option<String>)]
    pub money_high: Option<Decimal>,
    /// The last day: the earlier of its best-before day and the day on which the low end of its shelf life falls, that one today at the
    /// earliest. A lot without a best-before day of its own has the one that the farm's shortest rule gives for its strain and packaging,
    /// 7 days from harvest where there is no rule.
    pub last_day: NaiveDate,
    /// Which of the two that is.
    pub ends_by: EndsBy,
    /// `past its day`, `today`, `tomorrow` or `later`.
    pub when: Cow<'static, str>,
    /// Shelf life left of the grams there.
    pub life: Option<LifeLeft>,
    /// Whether it is on hold: nothing of it is sold before that is decided.
    pub on_hold: bool,
    /// Why no order takes it.
    pub reason: RiskReason,
    /// The same as a sentence, with the order.
    pub why: String,
    /// What would save it.
    pub remedy: String,
    /// What is left by week, in the order of `weeks`; one figure where there is no such week.
    pub left_by_week: Vec<Grams>,
    /// Who takes the rest, in the first of the weeks in which just the grams at risk are left.
    pub taken: Vec<RiskTaken>,
}

/// Grams that are taken of a lot.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct RiskTaken {
    /// The order; none of what is expected because it sold on that day of a past week.
    pub order: Option<OrderCode>,
    /// Whose order, or who bought it then.
    pub customer_name: String,
    /// The day it goes out.
    pub day: NaiveDate,
    /// The past day on which it sold, of what is expected.
    pub sold_on: Option<NaiveDate>,
    /// How much.
    pub grams_g: Grams,
}

/// What must be sold first.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct ShelfLife {
    /// The farm's day.
    pub today: NaiveDate,
    /// The first days of the weeks that are looked back on, the last week first: at most eight, and none from before the first sale. What
    /// customers ordered in them without a standing order, and what stalls sold, is expected again on the same days of the week, unless it is
    /// settled otherwise.
    pub weeks: Vec<NaiveDate>,
    /// How what is at risk could still be sold, strain by strain, what takes the most first, with four customers at most. Lots on hold or past
    /// their day are left out.
    pub ways: Vec<WayToSell>,
    /// Lots at risk, soonest first.
    pub lots: Vec<RiskRow>,
    /// Grams at risk in all.
    pub at_risk_g: Grams,
    /// What they would bring. None for who may not see prices.
    #[schema(value_type = Option<String>)]
    pub money: Option<Decimal>,
    /// ISO 4217 letters.
    pub currency: String,
    /// The usual caution.
    pub caution: Cow<'static, str>,
}

impl ShelfLife {
    /// The same without money, for who may not see prices.
    #[must_use]
    pub fn without_money(mut self) -> Self {
        self.money = None;
        for row in &mut self.lots {
            (row.money, row.money_low, row.money_high) = (None, None, None);
        }
        self.ways.iter_mut().for_each(|way| way.money = None);
        self
    }
}

impl Tx {
    /// What must be sold first: dispatch simulated over all that is ordered and has not gone out, overdue or far off, and over what usually
    /// sells.
    ///
    /// # Errors
    /// When the database fails.
    #[tracing::instrument(level = "debug", name = "store.reports.shelf_life", skip_all, fields(farm_id = self.farm.0))]
    pub async fn shelf_life(&mut self) -> Result<ShelfLife> {
        let lots = self.lots_in_stock().await?;
        self.shelf_life_of(&lots).await
    }

    /// Likewise, of the lots in stock.
    pub(crate) async fn shelf_life_of(&mut self, states: &[LotState]) -> Result<ShelfLife> {
        let settings = self.farm_settings().await?;
        let today = day_of(self.now, settings.zone);
        let rules = self.shelf_rules().await?;
        let mut there = self.goods_in(states, &rules).await?;
        // Dried goods spoil by their own best-before day or not at all.
        there.retain(|g| g.lot.form == Form::Fresh || g.lot.best_before.is_some());
        let stock: Vec<Stock> = there.iter().map(|g| g.stock.clone()).collect();
        let ordered = self.ordered(today).await?;
        let demand: Vec<Demand> = ordered.iter().map(|o| o.demand.clone()).collect();
        let price = self.mean_prices(self.now).await?;
        let habits = self.habits().await?;
        let last = today + Days::new(HORIZON_DAYS);
        let weeks = habits.usual.weeks();
        let repeated: Vec<Vec<Repeated>> = weeks.iter().map(|week| habits.usual.as_in(*week, last)).collect();
        let expected: Vec<Vec<Demand>> =
            repeated.iter().map(|week| week.iter().map(|r| r.demand.clone()).collect()).collect();
        let known = Known { today, coinage: settings.coinage, ordered: &ordered, repeated: &repeated };
        let find = |risk: &AtRisk| there.iter().find(|g| g.lot.lot == risk.lot && g.at.place == risk.place);
        let told: Vec<(AtRisk, &GoodsIn)> = at_risk(&stock, &demand, &expected)
            .into_iter()
            .filter(|risk| risk.grams > Grams::ZERO && risk.last_day <= last)
            .filter_map(|risk| find(&risk).map(|found| (risk, found)))
            .collect();
        let for_sale = told.iter().filter(|(_, found)| !found.lot.on_hold());
        let to_sell: Vec<LotToSell> = for_sale
            .map(|(risk, found)| LotToSell {
                goods: &found.stock.candidate.goods,
                grams: risk.grams,
                best_before: found.stock.best_before,
                last_day: risk.last_day,
            })
            .collect();
        let worth =
            |strain: &StrainCode, grams| price.get(strain).map(|price| settings.coinage.by_weight(grams, *price));
        let ways = ways_to_sell(&habits.usual, &to_sell, &habits.dried, worth);
        let rows: Vec<RiskRow> = told
            .into_iter()
            .map(|(risk, found)| known.row(risk, found, price.get(&found.lot.strain).copied()))
            .collect();
        Ok(ShelfLife {
            today,
            weeks,
            ways,
            at_risk_g: rows.iter().map(|r| r.at_risk_g).sum(),
            money: Some(settings.coinage.round(rows.iter().filter_map(|r| r.money).sum())),
            lots: rows,
            currency: settings.coinage.currency().to_owned(),
            caution: CAUTION.into(),
        })
    }
}

/// What a row is told by.
struct Known<'a> {
    today: NaiveDate,
    coinage: CurrencyRules,
    ordered: &'a [Ordered],
    /// What comes again, by week.
    repeated: &'a [Vec<Repeated<'a>>],
}

impl Known<'_> {
    fn row(&self, risk: AtRisk, found: &GoodsIn, price: Option<Decimal>) -> RiskRow {
        let GoodsIn { lot, at, ends_by, .. } = found;
        let worth = |grams: Grams| price.map(|p| self.coinage.by_weight(grams, p));
        RiskRow {
            strain: lot.strain.clone(),
            stock_g: at.grams_g,
            at_risk_g: risk.grams,
            low_g: risk.low(),
            high_g: risk.high(),
            money: worth(risk.grams),
            money_low: worth(risk.low()),
            money_high: worth(risk.high()),
            last_day: risk.last_day,
            ends_by: *ends_by,
            when: urgency(risk.last_day, self.today).into(),
            life: at.life,
            on_hold: lot.on_hold(),
            reason: risk.reason.kind(),
            why: why(risk.reason, self.ordered, !self.repeated.is_empty()),
            remedy: remedy(risk.last_day, self.today, *ends_by, lot.on_hold()).to_owned(),
            taken: risk.taken.iter().map(|taken| self.taken(risk.week, taken)).collect(),
            left_by_week: risk.by_week,
            lot: risk.lot,
            place: risk.place,
        }
    }

    fn taken(&self, week: usize, taken: &TakenBy) -> RiskTaken {
        let (order, sold_on, customer_name, wish) = match taken.demand {
            DemandOf::Order(n) => {
                let ordered = &self.ordered[n];
                (Some(ordered.order.clone()), None, &ordered.customer, &ordered.demand.wish)
            }
            DemandOf::Repeated(n) => {
                let repeated = &self.repeated[week][n];
                (None, Some(repeated.sale.day), &repeated.sale.name, &repeated.demand.wish)
            }
        };
        RiskTaken { order, customer_name: customer_name.clone(), day: wish.delivery_day, sold_on, grams_g: taken.grams }
    }
}

fn why(reason: Reason, ordered: &[Ordered], habits_are_known: bool) -> String {
    let day = |o: &Ordered| o.demand.wish.delivery_day.format("%-d %b").to_string();
    match reason {
        Reason::OnHold => "It is on hold.".into(),
        Reason::SetAsideTooLong(n) => {
            format!("Set aside for {} on {}, after its last day.", ordered[n].customer, day(&ordered[n]))
        }
        Reason::TooFewDays(n) => {
            let days = ordered[n].demand.wish.least_days;
            let days = if days == 1 { "1 day".to_owned() } else { format!("{days} days") };
            format!("{} asks for {days} left at delivery on {}.", ordered[n].customer, day(&ordered[n]))
        }
        Reason::Grade(n) => {
            format!(
                "{} asks for grade {} or better on {}.",
                ordered[n].customer,
                ordered[n].least_grade,
                day(&ordered[n])
            )
        }
        Reason::AfterLastDay(n) => {
            format!("The next order for it is {}'s on {}, after its last day.", ordered[n].customer, day(&ordered[n]))
        }
        Reason::NotOrdered if habits_are_known => "No order is left for it, and it is more than usually sells.".into(),
        Reason::NotOrdered => "No order is left for it.".into(),
    }
}

fn remedy(last_day: NaiveDate, today: NaiveDate, ends_by: EndsBy, on_hold: bool) -> &'static str {
    if on_hold {
        "Decide on the hold first."
    } else if last_day < today {
        "It is past the farm's own day. Take it out of sale."
    } else if last_day == today && ends_by == EndsBy::ShelfLife {
        "By its temperatures it may not keep. Look at it today: sell, dry or waste it."
    } else if last_day == today {
        "Offer it today, dry it, or give it away."
    } else {
        "Offer it with the next orders."
    }
}
