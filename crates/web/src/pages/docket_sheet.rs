//! The docket as it prints, and what its pages and its paper both say.

use std::collections::BTreeMap;

use chrono_tz::Tz;
use gillbook_core::{
    Grams,
    party::Party,
    selling::{
        docket::{Delivery, Docket, DocketLine, DocketStatus, HandOver, KITCHEN_CAUTION, packs_of},
        signature::Signature,
    },
    text::{DocketCode, LotCode},
};
use gillbook_documents::{docket as paper, signature, ubl};
use gillbook_store::{Result as StoreResult, Tx, farm::farms::Farm, ledger::holds::Hold};
use rust_decimal::Decimal;

use super::{as_money, celsius, count, exact_kg, full_time, kg, zone_of};
use crate::{App, auth::Authenticated, documents::set, extract::capital, problem::Problem, read_tx, respond::Document};

/// What was refused of a line or came back, in words.
pub(super) fn came_back(l: &DocketLine) -> Option<String> {
    came_back_words((l.refused_g, &l.refused_because), (l.returned_g, &l.returned_because))
}

/// What was refused of something and what came back, each with its reason where there is one.
pub(super) fn came_back_words(refused: (Grams, &str), returned: (Grams, &str)) -> Option<String> {
    let parts = [("refused", refused), ("came back", returned)];
    let words: Vec<String> = parts
        .into_iter()
        .filter(|(_, (grams, _))| *grams > Grams::ZERO)
        .map(|(word, (grams, because))| {
            let because = if because.is_empty() { String::new() } else { format!(": {because}") };
            format!("{} kg {word}{because}", exact_kg(grams))
        })
        .collect();
    (!words.is_empty()).then(|| words.join(", "))
}

/// The tax that a docket's amounts are without, where there is any: `VAT 5.5 %`.
fn tax_left_out(docket: &Docket, tax_name: &str) -> Option<String> {
    let mut rates: Vec<Decimal> = docket.lines.iter().map(|l| l.tax_percent).filter(|r| !r.is_zero()).collect();
    rates.sort_unstable();
    rates.dedup();
    let rates: Vec<String> = rates.iter().map(|r| format!("{r} %")).collect();
    (!rates.is_empty()).then(|| format!("{tax_name} {}", rates.join(", ")))
}

/// What was ordered and did not go out.
pub(super) fn shortages(docket: &Docket) -> Vec<String> {
    let short = docket.ordered.iter().filter(|o| o.short_g > Grams::ZERO && docket.status != DocketStatus::Void);
    let mut words: Vec<String> = short
        .map(|o| {
            let ordered = o.packs.map_or_else(|| format!("{} kg", kg(o.grams_g)), |n| count(n.into(), "pack"));
            match packs_of(o.short_g, o) {
                _ if o.short_g == o.grams_g => format!("{}: none sent of {ordered}", o.product_name),
                Some(short) => format!("{}: {short} short of {ordered}", o.product_name),
                None => format!("{}: {} kg short of {ordered}", o.product_name, kg(o.short_g)),
            }
        })
        .collect();
    if !words.is_empty() && !docket.short_because.is_empty() {
        words.push(format!("Reason: {}", docket.short_because));
    }
    words
}

/// What stands on a docket with lots that were in a warm spell not settled when they went out.
pub(super) fn sent_warm(docket: &Docket, zone: Tz) -> Vec<String> {
    docket
        .lines
        .iter()
        .filter_map(|l| l.warm_spell.as_ref().map(|w| (l, w)))
        .map(|(l, w)| {
            format!(
                "Lot {} was in a warm spell (from {}) that was not settled when {} sent it out. The local food-safety rules and your own food-safety plan decide what may be done with it.",
                l.lot,
                full_time(w.began_at, zone),
                w.authorised_by
            )
        })
        .collect()
}

/// The lots of a docket that are on hold now.
pub(super) fn on_hold(docket: &Docket, holds: &BTreeMap<LotCode, Hold>) -> Vec<String> {
    let of = |(lot, hold): (&LotCode, &Hold)| {
        let why = match &hold.recall {
            Some(recall) => format!("Lot {lot} is on hold for recall {recall}: {}.", hold.reason),
            None => format!("Lot {lot} is on hold: {}.", hold.reason),
        };
        let at_door = " It is not handed over until the owner releases it.";
        format!("{why}{}", if docket.status == DocketStatus::Dispatched { at_door } else { "" })
    };
    holds.iter().map(of).collect()
}

/// What became of a docket at the door: to whom it went, where it was left, or that all of it was refused.
pub(super) fn at_the_door(docket: &Docket, delivery: &Delivery) -> String {
    match delivery.hand_over {
        _ if docket.is_refused_whole() => format!("Refused at the door ({})", delivery.taken_by),
        HandOver::InPerson => format!("Taken by {}", delivery.taken_by),
        HandOver::Unattended => format!("Left with nobody in: {}", delivery.taken_by),
    }
}

/// What was measured and counted at the door, in words.
pub(super) fn door_details(delivery: &Delivery) -> String {
    let temperature = delivery.temperature_c.map(|c| format!("{} at the door.", celsius(c)));
    let crates = match (delivery.crates_out, delivery.crates_back) {
        (0, 0) => None,
        (out, back) => Some(format!("Crates: {out} left, {back} taken back.")),
    };
    temperature.into_iter().chain(crates).collect::<Vec<_>>().join(" ")
}

/// All that a docket prints.
pub(crate) struct DocketPaper {
    pub(super) farm: Farm,
    pub(super) docket: Docket,
    pub(super) signature: Option<Signature>,
    pub(super) crates_there: i64,
}

impl DocketPaper {
    pub(crate) async fn read(tx: &mut Tx, code: &DocketCode) -> StoreResult<Self> {
        let (farm, docket) = (tx.farm().await?, tx.docket(code).await?);
        let (signature, crates_there) = match &docket.delivery {
            Some(delivery) => (
                if delivery.signed { Some(tx.signature(code).await?) } else { None },
                tx.crates_at(&docket.customer, delivery.delivered_at).await?,
            ),
            None => (None, 0),
        };
        Ok(Self { farm, docket, signature, crates_there })
    }

    /// What the file is called.
    pub(crate) fn name(&self) -> String {
        format!("{}.pdf", self.docket.docket)
    }

    /// The docket as PDF. Set away from the threads that answer requests.
    pub(crate) async fn pdf(self) -> Result<Vec<u8>, Problem> {
        let Self { farm, docket, signature, crates_there } = self;
        let zone = zone_of(&farm);
        let kept = docket.kept_less().map(|grams| paper::Kept { grams, net: docket.net.to_string() });
        let door = docket.delivery.as_ref().map(|d| at_the_door(&docket, d));
        let sheet = paper::Docket {
            warnings: sent_warm(&docket, zone),
            short: shortages(&docket),
            tax: tax_left_out(&docket, &farm.tax_name),
            kept,
            word: capital(farm.word("docket")),
            docket: docket.docket.to_string(),
            order: docket.order.to_string(),
            delivery_day: docket.delivery_day.format("%a %-d %b %Y").to_string(),
            sent_at: docket.dispatched_at.with_timezone(&zone).format("%-d %b %Y %H:%M").to_string(),
            void: docket.status == DocketStatus::Void,
            grams: docket.lines.iter().map(|l| l.grams_g).sum(),
            lines: docket.lines.iter().map(|l| paper_line(l, docket.net.scale())).collect(),
            net: docket.sent_net.to_string(),
            delivery: docket.delivery.map(|d| paper::HandedOver {
                to: door.unwrap_or_default(),
                signature: signature.as_ref().map(signature::svg).unwrap_or_default(),
                at: d.delivered_at.with_timezone(&zone).format("%-d %b %Y %H:%M").to_string(),
                details: door_details(&d),
                crates_there,
            }),
            reference: docket.reference,
            customer: docket.customer_name,
            address: docket.address,
            telephone: docket.telephone,
            with_prices: docket.with_prices,
            currency: docket.currency,
            caution: KITCHEN_CAUTION.to_owned(),
            farm_address: farm.letterhead(),
            paper_size: farm.paper_size,
            farm_telephone: farm.telephone,
            storage_line: farm.storage_line,
            farm: farm.name,
        };
        set(move || sheet.pdf()).await
    }
}

/// A docket as UBL despatch advice.
pub(crate) async fn despatch_advice(app: &App, who: &Authenticated, code: &DocketCode) -> Result<Document, Problem> {
    let (farm, zone, docket) =
        read_tx!(app, who, |tx| Ok((tx.farm().await?, tx.farm_settings().await?.zone, tx.docket(code).await?)))?;
    docket.ensure_went_out()?;
    let party = Party {
        address: farm.letterhead(),
        name: farm.name,
        tax_number: farm.tax_number,
        country: farm.country,
        electronic_address: farm.electronic_address,
    };
    let name = format!("{}.xml", docket.docket);
    Ok(Document { kind: "application/xml", name, bytes: ubl::despatch_advice(&docket, &party, zone) })
}

fn paper_line(l: &DocketLine, decimals: u32) -> paper::Line {
    paper::Line {
        came_back: came_back(l),
        product: l.product_name.clone(),
        grade: l.grade.to_string(),
        packs: l.packs,
        lot: l.lot.to_string(),
        harvested: l.harvest_day.format("%-d %b %Y").to_string(),
        best_before: l.best_before.map(|d| d.format("%-d %b %Y").to_string()),
        grams: l.grams_g,
        price: as_money(l.price, decimals),
        unit: l.unit.to_string(),
        amount: l.amount.to_string(),
    }
}
