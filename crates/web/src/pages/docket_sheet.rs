//! The docket as it prints, and what its pages and its paper both say.

use chrono_tz::Tz;
use gillbook_core::{
    Grams,
    refusal::{Refusal, RefusalKind},
    selling::{
        docket::{Delivery, Docket, DocketLine, DocketStatus, HandOver, KITCHEN_CAUTION, packs_of},
        invoice::Party,
        signature::Signature,
    },
    text::DocketCode,
};
use gillbook_documents::{docket as paper, signature, ubl};
use gillbook_store::{Result as StoreResult, Tx, farm::farms::Farm};
use rust_decimal::Decimal;

use super::{as_money, count, degrees, full_time, g, kg, zone_of};
use crate::{App, auth::Authenticated, documents::set, extract::capital, problem::Problem, read_tx, respond::Document};

/// What was refused of a line or came back, in words.
pub(super) fn came_back(l: &DocketLine) -> Option<String> {
    let parts = [(l.refused_g, "refused"), (l.returned_g, "came back")];
    let some = parts.iter().filter(|(grams, _)| *grams > Grams::ZERO);
    let because = |word: &str| match word {
        "refused" if !l.refused_because.is_empty() => format!(": {}", l.refused_because),
        _ => String::new(),
    };
    let words: Vec<String> = some.map(|(grams, word)| format!("{} g {word}{}", g(*grams), because(word))).collect();
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
    short
        .map(|o| match o.packs.zip(packs_of(o.short_g, o)) {
            Some((ordered, short)) => {
                format!("{}: {short} short of {}", o.product_name, count(ordered.into(), "pack"))
            }
            None => format!("{}: {} kg short of {} kg", o.product_name, kg(o.short_g), kg(o.grams_g)),
        })
        .collect()
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

/// How a docket was handed over and to whom, or where it was left.
pub(super) fn handed_over(delivery: &Delivery) -> String {
    match delivery.hand_over {
        HandOver::InPerson => format!("Taken by {}", delivery.taken_by),
        HandOver::Unattended => format!("Left there, nobody in: {}", delivery.taken_by),
    }
}

/// All that a docket prints.
pub(crate) struct DocketSheet {
    pub(super) farm: Farm,
    pub(super) docket: Docket,
    pub(super) signature: Option<Signature>,
    pub(super) crates_there: i64,
}

impl DocketSheet {
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
        let less = docket.lines.iter().any(|l| l.kept_g < l.grams_g);
        let kept = less
            .then(|| paper::Kept { grams: docket.lines.iter().map(|l| l.kept_g).sum(), net: docket.net.to_string() });
        let drawn = signature.as_ref().map(signature::svg).unwrap_or_default();
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
                to: handed_over(&d),
                signature: String::from_utf8_lossy(&drawn).into_owned(),
                at: d.delivered_at.with_timezone(&zone).format("%-d %b %Y %H:%M").to_string(),
                temperature: d.temperature_c.map(degrees),
                crates_out: d.crates_out,
                crates_back: d.crates_back,
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
    if docket.status == DocketStatus::Void {
        let detail = format!("Docket {} was taken back. Nothing went out with it.", docket.docket);
        return Err(Refusal::new(RefusalKind::Closed, detail).into());
    }
    let party = Party { address: farm.letterhead(), name: farm.name, tax_number: farm.tax_number };
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
