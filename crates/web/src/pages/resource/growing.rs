//! Strains, recipes, rooms, crates, cooks.

use axum::{extract::State, response::Response};
use gillbook_store::{
    Pagination, Result as StoreResult, Tx,
    farm::farms::Farm,
    growing::{
        cooks::Cook,
        crate_kinds::{Crate, CrateChange, NewCrate},
        recipes::Recipe,
        rooms::{NewRoom, Room, RoomChange},
        strains::{Life, NewStrain, Strain, StrainChange},
    },
};
use serde_json::Value;

use super::{
    super::{
        act::ActPage,
        celsius, count, full_time, price,
        sheet::{Field, FormFields, Input, Sheet},
        zone_of,
    },
    Addable, Changeable, Resource, address, answered, item_page,
    selling::{PACKAGING, packed},
};
use crate::{
    App,
    auth::Authenticated,
    create_tx,
    extract::{KeyedForm, PathParam},
    problem::Problem,
};

/// Temperatures that a form of shelf life has room for.
const LIFE_POINTS: usize = 6;
/// Ingredients that a recipe's form has room for.
const INGREDIENTS: usize = 10;

pub(in crate::pages) struct Strains;

impl Resource for Strains {
    const PATH: &'static str = "/strains";
    const TITLE: &'static str = "Strains";
    const ADD: &'static str = "Add a strain";
    const CODE: &'static str = "strain";
    const SETTLED: &'static [&'static str] = &["strain", "species", "latin_name", "lowest_safe_c", "trim_share"];
    type Item = Strain;

    async fn items(tx: &mut Tx, page: &Pagination) -> StoreResult<Vec<Strain>> {
        tx.strains(page).await
    }

    fn code(strain: &Strain) -> String {
        strain.strain.to_string()
    }

    fn line(strain: &Strain) -> (String, String) {
        (strain.name.clone(), format!("{}, {}", strain.strain, strain.species))
    }

    async fn fields(_: &mut Tx, _: &Farm) -> StoreResult<Vec<Field>> {
        Ok(vec![
            Field::new("name", "Name", Input::Text),
            Field::new("strain", "Code", Input::Code).hint("such as OY: lot codes begin with it"),
            Field::new("species", "Species", Input::Text),
            Field::new("latin_name", "Species, in Latin", Input::Text),
            Field::new("lowest_safe_c", "Hurt by cold below, °C", Input::Number),
            Field::new("expected_yield_g", "Grams expected of a block, all flushes", Input::Whole),
            Field::new("days_to_first_flush", "Days from making to the first flush", Input::Whole),
            Field::new("flush_interval_days", "Days from flush to flush", Input::Whole),
            Field::new("flushes", "Flushes that you wait for", Input::Whole),
            Field::new("trim_share", "Share that is cut off", Input::Number).hint("such as 0.05").with("0"),
        ])
    }

    fn version(strain: &Strain) -> Option<i32> {
        Some(strain.version)
    }

    async fn more(_: &mut Tx, _: &Farm, strain: &Strain, mut page: ActPage) -> StoreResult<ActPage> {
        for life in &strain.life {
            let points: Vec<String> =
                life.points.iter().map(|p| format!("{} days at {}", p.days, celsius(p.c))).collect();
            let shown = format!("{}; ± {:.0} %. Source: {}", points.join(", "), life.spread * 100.0, life.source);
            page = page.detail(format!("Life: {}", packed(life.packaging)), shown);
        }
        if !page.head.may("POST", "/strains/{strain}/life") {
            return Ok(page);
        }
        let mut fields = vec![
            Field::version(strain.version),
            Field::new("packaging", "Packed in", Input::Touch).of_words(&PACKAGING),
        ];
        for n in 0..LIFE_POINTS {
            fields.extend([
                Field::new(format!("points/{n}/c"), "At, °C", Input::Number).half(),
                Field::new(format!("points/{n}/days"), "Days that it can be sold", Input::Number).half(),
            ]);
        }
        fields.extend([
            Field::new("spread", "Half of the range around it, as a share such as 0.25", Input::Number),
            Field::new("source", "Where the figures are from", Input::Text),
        ]);
        let sheet = Sheet::new(format!("{}/life", address::<Strains>(strain.strain.as_str())), "Save the life", fields);
        Ok(page.sheet("Life from now on, coldest first", sheet))
    }
}

impl Addable for Strains {
    type New = NewStrain;

    async fn add(tx: &mut Tx, new: &NewStrain) -> StoreResult<Value> {
        Ok(answered(&tx.add_strain(new).await?))
    }
}

impl Changeable for Strains {
    type Change = StrainChange;

    async fn change(tx: &mut Tx, strain: &Strain, change: &StrainChange, version: i32) -> StoreResult<Value> {
        Ok(answered(&tx.change_strain(&strain.strain, change, version).await?))
    }
}

pub(in crate::pages) async fn post_life(
    State(app): State<App>,
    who: Authenticated,
    PathParam(code): PathParam<String>,
    form: KeyedForm<FormFields>,
) -> Result<Response, Problem> {
    let version = Sheet::version_read(&form)?;
    let (page, strain) = item_page::<Strains>(&app, &who, &code).await?;
    let act = async |life: Life| {
        let change = StrainChange { life: vec![life], ..StrainChange::default() };
        create_tx!(app, who, &form.once, |tx| tx.change_strain(&strain.strain, &change, version).await)
    };
    page.take("/life", &form, act, |_| address::<Strains>(&code)).await
}

pub(in crate::pages) struct Recipes;

impl Resource for Recipes {
    const PATH: &'static str = "/recipes";
    const TITLE: &'static str = "Recipes";
    const ADD: &'static str = "Add a recipe";
    const CODE: &'static str = "recipe";
    const SETTLED: &'static [&'static str] = &["recipe", "block_wet_g", "block_dry_g", "block_cost"];
    type Item = Recipe;

    async fn items(tx: &mut Tx, page: &Pagination) -> StoreResult<Vec<Recipe>> {
        tx.recipes(page).await
    }

    fn code(recipe: &Recipe) -> String {
        recipe.recipe.to_string()
    }

    fn line(recipe: &Recipe) -> (String, String) {
        (recipe.name.to_string(), format!("{}, {} g wet", recipe.recipe, recipe.block_wet_g))
    }

    async fn fields(_: &mut Tx, farm: &Farm) -> StoreResult<Vec<Field>> {
        let mut fields = vec![
            Field::new("name", "Name", Input::Text),
            Field::new("recipe", "Code", Input::Code).hint("such as OAK-1"),
            Field::new("block_wet_g", "A block weighs, wet, g", Input::Whole),
            Field::new("block_dry_g", "Of that dry, g", Input::Whole),
            Field::new(
                "block_cost",
                format!("A block costs, bag, work and energy included, {}", farm.currency),
                Input::Amount,
            ),
        ];
        for n in 0..INGREDIENTS {
            let name = |field: &str| format!("ingredients/{n}/{field}");
            fields.extend([
                Field::new(name("name"), "Ingredient", Input::Text).half().of_any_rows(),
                Field::new(name("wet_g"), "In a block, wet, g", Input::Whole).half().of_any_rows(),
                Field::new(name("dry_share"), "Share of it that is dry", Input::Number)
                    .hint("such as 0.9")
                    .half()
                    .of_any_rows(),
                Field::new(name("price_per_kg"), format!("A kilogram costs, {}", farm.currency), Input::Amount)
                    .half()
                    .of_any_rows(),
            ]);
        }
        Ok(fields)
    }

    async fn more(_: &mut Tx, farm: &Farm, recipe: &Recipe, page: ActPage) -> StoreResult<ActPage> {
        Ok(recipe.ingredients.iter().fold(page, |page, i| {
            let shown = format!("{} g, {} dry, {} a kg", i.wet_g, i.dry_share, price(i.price_per_kg, farm));
            page.detail(i.name.to_string(), shown)
        }))
    }
}

impl Addable for Recipes {
    type New = Recipe;

    async fn add(tx: &mut Tx, new: &Recipe) -> StoreResult<Value> {
        tx.add_recipe(new).await?;
        Ok(answered(new))
    }
}

pub(in crate::pages) struct Rooms;

impl Resource for Rooms {
    const PATH: &'static str = "/rooms";
    const TITLE: &'static str = "Rooms";
    const ADD: &'static str = "Add a room";
    const CODE: &'static str = "room";
    const SETTLED: &'static [&'static str] = &["room", "kind", "area_m2"];
    type Item = Room;

    async fn items(tx: &mut Tx, page: &Pagination) -> StoreResult<Vec<Room>> {
        tx.rooms(page).await
    }

    fn code(room: &Room) -> String {
        room.room.to_string()
    }

    fn line(room: &Room) -> (String, String) {
        let fits = count(room.capacity_blocks.into(), "block");
        (room.name.clone(), format!("{}, {}, {fits}", room.room, room.kind))
    }

    async fn fields(_: &mut Tx, _: &Farm) -> StoreResult<Vec<Field>> {
        let kinds = [("incubation", "Incubation"), ("fruiting", "Fruiting")];
        Ok(vec![
            Field::new("name", "Name", Input::Text),
            Field::new("room", "Code", Input::Code).hint("such as FRUIT-1"),
            Field::new("kind", "What it is for", Input::Touch).of_words(&kinds),
            Field::new("capacity_blocks", "Blocks that fit", Input::Whole),
            Field::new("area_m2", "Floor, m²", Input::Number),
        ])
    }

    fn version(room: &Room) -> Option<i32> {
        Some(room.version)
    }
}

impl Addable for Rooms {
    type New = NewRoom;

    async fn add(tx: &mut Tx, new: &NewRoom) -> StoreResult<Value> {
        Ok(answered(&tx.add_room(new).await?))
    }
}

impl Changeable for Rooms {
    type Change = RoomChange;

    async fn change(tx: &mut Tx, room: &Room, change: &RoomChange, version: i32) -> StoreResult<Value> {
        Ok(answered(&tx.change_room(&room.room, change, version).await?))
    }
}

pub(in crate::pages) struct Crates;

impl Resource for Crates {
    const PATH: &'static str = "/crates";
    const TITLE: &'static str = "Crates and liners";
    const ADD: &'static str = "Add a crate or liner";
    const CODE: &'static str = "crate";
    const SETTLED: &'static [&'static str] = &["crate", "kind"];
    type Item = Crate;

    async fn items(tx: &mut Tx, page: &Pagination) -> StoreResult<Vec<Crate>> {
        tx.crates(page).await
    }

    fn code(kind: &Crate) -> String {
        kind.code.to_string()
    }

    fn line(kind: &Crate) -> (String, String) {
        (kind.name.clone(), format!("{}, {} g dry, {} g wet", kind.code, kind.tare_dry_g, kind.tare_wet_g))
    }

    async fn fields(_: &mut Tx, _: &Farm) -> StoreResult<Vec<Field>> {
        Ok(vec![
            Field::new("name", "Name", Input::Text),
            Field::new("crate", "Code", Input::Code).hint("such as BLUE"),
            Field::new("kind", "What it is", Input::Touch).of_words(&[("crate", "Crate"), ("liner", "Liner")]),
            Field::new("tare_dry_g", "Tare when dry, g", Input::Whole),
            Field::new("tare_wet_g", "Tare when wet, g", Input::Whole),
        ])
    }

    fn version(kind: &Crate) -> Option<i32> {
        Some(kind.version)
    }
}

impl Addable for Crates {
    type New = NewCrate;

    async fn add(tx: &mut Tx, new: &NewCrate) -> StoreResult<Value> {
        Ok(answered(&tx.add_crate(new).await?))
    }
}

impl Changeable for Crates {
    type Change = CrateChange;

    async fn change(tx: &mut Tx, kind: &Crate, change: &CrateChange, version: i32) -> StoreResult<Value> {
        Ok(answered(&tx.change_crate(&kind.code, change, version).await?))
    }
}

pub(in crate::pages) struct Cooks;

impl Resource for Cooks {
    const PATH: &'static str = "/cooks";
    const TITLE: &'static str = "Sterilising runs";
    const ADD: &'static str = "Write down a run";
    const CODE: &'static str = "cook";
    const SETTLED: &'static [&'static str] = &["cook", "method", "hours", "temperature_c", "note"];
    type Item = Cook;

    async fn items(tx: &mut Tx, page: &Pagination) -> StoreResult<Vec<Cook>> {
        tx.cooks(page).await
    }

    fn code(cook: &Cook) -> String {
        cook.cook.to_string()
    }

    fn line(cook: &Cook) -> (String, String) {
        (cook.cook.to_string(), format!("{}, {} h at {}", cook.method, cook.hours, celsius(cook.temperature_c)))
    }

    async fn fields(_: &mut Tx, farm: &Farm) -> StoreResult<Vec<Field>> {
        let methods = [("sterilised", "Sterilised"), ("pasteurised", "Pasteurised")];
        Ok(vec![
            Field::new("cook", "Code", Input::Code).hint("such as C-0504"),
            Field::new("method", "How", Input::Touch).of_words(&methods),
            Field::new("started_at", "Began", Input::Moment(zone_of(farm))),
            Field::new("hours", "Hours at temperature", Input::Number),
            Field::new("temperature_c", "Temperature, °C", Input::Number),
            Field::new("note", "Note", Input::Lines).optional(),
        ])
    }

    async fn more(_: &mut Tx, farm: &Farm, cook: &Cook, page: ActPage) -> StoreResult<ActPage> {
        Ok(page.detail("Began", full_time(cook.started_at.0, zone_of(farm))))
    }
}

impl Addable for Cooks {
    type New = Cook;

    async fn add(tx: &mut Tx, new: &Cook) -> StoreResult<Value> {
        tx.add_cook(new).await?;
        Ok(answered(new))
    }
}
