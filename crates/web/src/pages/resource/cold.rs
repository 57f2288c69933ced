//! Places and probes.

use axum::{extract::State, http::HeaderMap, response::Response};
use gillbook_core::kinds::PlaceKind;
use gillbook_store::{
    Pagination, Result as StoreResult, Tx,
    cold::places::{NewPlace, NewProbe, Place, PlaceChange, Probe},
    farm::farms::Farm,
};
use serde_json::Value;

use super::{
    super::{
        ALL,
        act::ActPage,
        full_time,
        sheet::{Field, FormFields, Input, Sheet},
        zone_of,
    },
    Addable, Changeable, Resource, address, answered, choice,
    farm::made_page,
    item_page,
};
use crate::{
    App,
    auth::Authenticated,
    create_tx,
    extract::{KeyedForm, PathParam},
    problem::Problem,
};

/// Members of a limit: each is part of one version, set together.
const LIMIT: [&str; 10] = [
    "limit.name",
    "limit.warm_c",
    "limit.air_c",
    "limit.cold_c",
    "limit.grace_minutes",
    "limit.hysteresis_c",
    "limit.gap_minutes",
    "limit.silence_minutes",
    "limit.lag_minutes",
    "limit.rule_text",
];

fn limit_fields() -> Vec<Field> {
    let [name, warm, air, cold, grace, hysteresis, gap, silence, lag, rule] = LIMIT;
    vec![
        Field::new(name, "What the limit is called", Input::Text),
        Field::new(rule, "Text of the local rule that it follows", Input::Lines).optional(),
        Field::new(warm, "Too warm above, °C", Input::Number),
        Field::new(cold, "Too cold below, °C", Input::Number),
        Field::new(air, "Air too warm above, °C", Input::Number).hint("five over the limit where empty").optional(),
        Field::new(grace, "Minutes above before it counts", Input::Whole).hint("30 where empty").optional(),
        Field::new(hysteresis, "Degrees below the limit at which a warm spell ends", Input::Number)
            .hint("0.5 where empty")
            .optional(),
        Field::new(gap, "Longest gap between readings that counts as known, minutes", Input::Whole)
            .hint("15 where empty")
            .optional(),
        Field::new(silence, "Minutes of silence before you are told", Input::Whole).hint("30 where empty").optional(),
        Field::new(lag, "Minutes that the food lags behind the air", Input::Whole).hint("20 where empty").optional(),
    ]
}

pub(in crate::pages) struct Places;

impl Resource for Places {
    const PATH: &'static str = "/places";
    const TITLE: &'static str = "Fridges, shelves, vans, stalls";
    const ADD: &'static str = "Add a place";
    const CODE: &'static str = "place";
    const SETTLED: &'static [&'static str] = &[
        "place", "kind", LIMIT[0], LIMIT[1], LIMIT[2], LIMIT[3], LIMIT[4], LIMIT[5], LIMIT[6], LIMIT[7], LIMIT[8],
        LIMIT[9],
    ];
    type Item = Place;

    async fn items(tx: &mut Tx, page: &Pagination) -> StoreResult<Vec<Place>> {
        tx.places(page).await
    }

    fn code(place: &Place) -> String {
        place.place.to_string()
    }

    fn line(place: &Place) -> (String, String) {
        let limit =
            place.limit.as_ref().map_or_else(|| "no limit".to_owned(), |l| format!("{} to {} °C", l.cold_c, l.warm_c));
        (place.name.clone(), format!("{}, {}, {limit}", place.place, place.kind))
    }

    fn is_listed(place: &Place) -> bool {
        place.kind.holds_stock()
    }

    async fn fields(_: &mut Tx, _: &Farm) -> StoreResult<Vec<Field>> {
        let kinds =
            [("fridge", "Fridge"), ("shelf", "Shelf, for dried goods"), ("van", "Van"), ("stall", "Market stall")];
        let mut fields = vec![
            Field::new("name", "Name", Input::Text),
            Field::new("place", "Code", Input::Code).hint("such as FRIDGE"),
            Field::new("kind", "What it is", Input::Touch).of_words(&kinds),
            Field::new("humidity_percent", "Humidity that it is kept at, %", Input::Number)
                .hint("90 where empty")
                .optional(),
        ];
        fields.extend(limit_fields());
        Ok(fields)
    }

    fn version(place: &Place) -> Option<i32> {
        Some(place.version)
    }

    async fn more(tx: &mut Tx, farm: &Farm, place: &Place, mut page: ActPage) -> StoreResult<ActPage> {
        for limit in tx.coming_limits(&place.place).await? {
            let from = limit.effective_from.map(|at| full_time(at.0, zone_of(farm))).unwrap_or_default();
            let shown = format!("{}, {} to {} °C, from {from}", limit.name, limit.cold_c, limit.warm_c);
            page = page.detail("Limit to come", shown);
        }
        if !place.kind.holds_stock() || !page.head.may("POST", "/places/{place}/limit") {
            return Ok(page);
        }
        let mut fields = limit_fields();
        fields.extend([
            Field::version(place.version),
            Field::new("limit.effective_from", "From", Input::Moment(zone_of(farm))).hint("now where empty").optional(),
        ]);
        let path = format!("{}/limit", address::<Places>(place.place.as_str()));
        let mut sheet = Sheet::new(path, "Save the limit", fields).filled(place);
        sheet.fields.iter_mut().filter(|f| f.name == "limit.effective_from").for_each(|f| f.value.clear());
        // What nobody typed follows the new limit.
        if place.limit.as_ref().is_some_and(|limit| limit.air_c == Some(limit.warm_c + 5.0)) {
            sheet.fields.iter_mut().filter(|f| f.name == "limit.air_c").for_each(|f| f.value.clear());
        }
        let heading =
            if place.limit.is_some() { "A new limit; the old one stays for the time before" } else { "Its limit" };
        let page = page.sheet(heading, sheet);
        Ok(if place.kind == PlaceKind::Fridge { page.link("/probes/new", "Add a probe") } else { page })
    }
}

impl Addable for Places {
    type New = NewPlace;

    async fn add(tx: &mut Tx, new: &NewPlace) -> StoreResult<Value> {
        Ok(answered(&tx.add_place(new).await?))
    }
}

impl Changeable for Places {
    type Change = PlaceChange;

    async fn change(tx: &mut Tx, place: &Place, change: &PlaceChange, version: i32) -> StoreResult<Value> {
        Ok(answered(&tx.change_place(&place.place, change, version).await?))
    }
}

pub(in crate::pages) async fn post_limit(
    State(app): State<App>,
    who: Authenticated,
    PathParam(code): PathParam<String>,
    form: KeyedForm<FormFields>,
) -> Result<Response, Problem> {
    let version = Sheet::version_read(&form)?;
    let (page, place) = item_page::<Places>(&app, &who, &code).await?;
    let act = async |change: PlaceChange| {
        create_tx!(app, who, &form.once, |tx| tx.change_place(&place.place, &change, version).await)
    };
    page.take("/limit", &form, act, |_| address::<Places>(&code)).await
}

pub(in crate::pages) struct Probes;

impl Resource for Probes {
    const PATH: &'static str = "/probes";
    const TITLE: &'static str = "Probes";
    const ADD: &'static str = "Add a probe";
    const CODE: &'static str = "probe";
    const SETTLED: &'static [&'static str] = &["probe", "place", "position"];
    type Item = Probe;

    async fn items(tx: &mut Tx, page: &Pagination) -> StoreResult<Vec<Probe>> {
        tx.probes(page).await
    }

    fn code(probe: &Probe) -> String {
        probe.probe.clone()
    }

    fn line(probe: &Probe) -> (String, String) {
        (probe.probe.clone(), [probe.place.to_string(), probe.position.clone()].join(" ").trim().to_owned())
    }

    async fn fields(tx: &mut Tx, _: &Farm) -> StoreResult<Vec<Field>> {
        let places =
            tx.places(&ALL).await?.into_iter().filter(|p| p.kind.holds_stock()).map(|p| choice(&p.place, &p.name));
        Ok(vec![
            Field::new("probe", "Name the probe sends", Input::Text)
                .hint("letters, digits and - : . / _ without spaces, such as fridge-1"),
            Field::new("place", "Where it is", Input::Touch).of(places),
            Field::new("position", "Where in there", Input::Text).hint("such as top shelf, back").optional(),
        ])
    }

    async fn more(_: &mut Tx, _: &Farm, probe: &Probe, page: ActPage) -> StoreResult<ActPage> {
        if !page.head.may("POST", "/probes/{probe}/token") {
            return Ok(page);
        }
        let fields = vec![
            Field::hidden("scope", "readings"),
            Field::hidden("probe", probe.probe.clone()),
            Field::new("name", "What it is for", Input::Text)
                .with(format!("Readings of {}", probe.probe).chars().take(200).collect::<String>()),
            Field::new("days", "Days that it lasts", Input::Whole).hint("a year where empty").optional(),
        ];
        let path = format!("{}/token", address::<Probes>(&probe.probe));
        Ok(page.sheet("A token for its board", Sheet::new(path, "Make a token", fields)))
    }
}

impl Addable for Probes {
    type New = NewProbe;

    async fn add(tx: &mut Tx, new: &NewProbe) -> StoreResult<Value> {
        Ok(answered(&tx.add_probe(new).await?))
    }
}

pub(in crate::pages) async fn post_probe_token(
    State(app): State<App>,
    who: Authenticated,
    headers: HeaderMap,
    PathParam(code): PathParam<String>,
    form: KeyedForm<FormFields>,
) -> Result<Response, Problem> {
    let (page, _) = item_page::<Probes>(&app, &who, &code).await?;
    made_page(&app, &who, &headers, page, "/token", &form).await
}
