//! What must be sold first, and why nobody has ordered it.

use std::borrow::Cow;

use chrono::{Days, NaiveDate};
use gillbook_core::{
    Grams,
    cold::{CAUTION, shelf_life::LifeLeft},
    kinds::Form,
    selling::{
        risk::{Reason, at_risk, urgency},
        simulation::{Demand, Stock},
    },
    text::{LotCode, PlaceCode, StrainCode},
    units::calendar::day_of,
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
const HORIZON_DAYS: u64 = 14;

/// What a lot's last day follows from.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum EndsBy {
    /// The farm's own best-before rule.
    BestBefore,
    /// The low end of its shelf life by the temperatures on its way.
    ShelfLife,
}

/// Grams of a lot in a fridge or on a shelf that no order takes in time.
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
    /// Of those, grams that no order takes by the last day.
    pub at_risk_g: Grams,
    /// What they would bring, at the mean price of the last four weeks.
    #[schema(value_type = Option<String>)]
    pub money: Option<Decimal>,
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
    pub why: String,
    /// What would save it.
    pub remedy: String,
}

/// What must be sold first.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct ShelfLife {
    /// The farm's day.
    pub today: NaiveDate,
    /// Lots at risk, soonest first.
    pub lots: Vec<RiskRow>,
    /// Grams at risk in all.
    pub at_risk_g: Grams,
    /// What they would bring.
    #[schema(value_type = String)]
    pub money: Decimal,
    /// ISO 4217 letters.
    pub currency: String,
    /// The usual caution.
    pub caution: Cow<'static, str>,
}

impl Tx {
    /// What must be sold first: dispatch simulated over all that is ordered and has not gone out, overdue or far off.
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
        let mut rows = Vec::new();
        for risk in at_risk(&stock, &demand) {
            let found = there.iter().find(|g| g.lot.lot == risk.lot && g.at.place == risk.place);
            let Some(GoodsIn { lot, at, ends_by, .. }) =
                found.filter(|_| risk.last_day <= today + Days::new(HORIZON_DAYS))
            else {
                continue;
            };
            rows.push(RiskRow {
                strain: lot.strain.clone(),
                stock_g: at.grams_g,
                at_risk_g: risk.grams,
                money: price.get(&lot.strain).map(|p| settings.coinage.by_weight(risk.grams, *p)),
                last_day: risk.last_day,
                ends_by: *ends_by,
                when: urgency(risk.last_day, today).into(),
                life: at.life,
                on_hold: lot.on_hold(),
                why: why(risk.reason, &ordered),
                remedy: remedy(risk.last_day, today, *ends_by, lot.on_hold()).to_owned(),
                lot: risk.lot,
                place: risk.place,
            });
        }
        Ok(ShelfLife {
            today,
            at_risk_g: rows.iter().map(|r| r.at_risk_g).sum(),
            money: settings.coinage.round(rows.iter().filter_map(|r| r.money).sum()),
            lots: rows,
            currency: self.farm_settings().await?.coinage.currency().to_owned(),
            caution: CAUTION.into(),
        })
    }
}

fn why(reason: Reason, ordered: &[Ordered]) -> String {
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
        "Offer it with the next orders, or take it to the market."
    }
}
