//! A farm is opened: with the code that the program printed, and then step by step.

use axum::{
    extract::State,
    response::{IntoResponse, Response},
};
use chrono_tz::Tz;
use gillbook_core::{
    growing::examples::{EXAMPLES, ExampleStrain},
    refusal::{Refusal, RefusalKind},
    text::{Line, StrainCode, Text},
};
use gillbook_store::{
    Result as StoreResult, Tx,
    farm::{
        farms::{Farm, NewFarm},
        people::{NewPerson, Passphrase},
        readiness::Readiness,
    },
    growing::strains::{Life, LifePoint, NewStrain},
    idempotency::StoredResponse,
};
use rust_decimal::Decimal;
use serde::Deserialize;

use super::{
    ALL, Html, Layout,
    act::{ActPage, answer, first},
    celsius,
    resource::choice,
    sheet::{Field, FormFields, Input, Sheet},
};
use crate::{
    App,
    auth::Authenticated,
    create_tx,
    extract::KeyedForm,
    problem::Problem,
    read_tx,
    sign_in::{Origin, sign_in},
};

/// The farm and its owner, with the code that allows it.
#[derive(Debug, Deserialize)]
struct NewSetup {
    code: String,
    name: Line,
    zone: String,
    currency: String,
    owner: NewPerson,
}

fn setup_page() -> ActPage {
    let fields = vec![
        Field::new("code", "Code, as the program printed it", Input::Code),
        Field::new("name", "Name of the farm", Input::Text),
        Field::new("zone", "Time zone", Input::Text)
            .hint("such as Europe/Paris")
            .with(iana_time_zone::get_timezone().unwrap_or_default()),
        Field::new("currency", "Currency, in three letters such as EUR", Input::Code),
        Field::hidden("owner.role", "owner"),
        Field::new("owner.name", "Your name", Input::Text),
        Field::new("owner.initials", "Your initials", Input::Code),
        Field::new("owner.sign_in_name", "Name to sign in with", Input::Text),
        Field::new("owner.passphrase", "Passphrase, at least twelve characters", Input::Secret),
    ];
    ActPage::new(Layout::nobody("/setup"), "Open your farm", ("/sign-in", "Sign in to a farm that is open"))
        .about("It takes a minute. Currency and time zone stay as you give them; all else can be changed later.")
        .sheet("", Sheet::new("/setup", "Open the farm", fields))
}

pub(super) async fn get_setup(State(app): State<App>) -> Response {
    if app.is_setup_offered() {
        return Html(setup_page()).into_response();
    }
    let nothing = "A farm is opened at the terminal here. Whoever runs this service can do it.";
    Html(ActPage::new(Layout::nobody("/setup"), "Open your farm", ("/sign-in", "Sign in")).or_nothing(nothing))
        .into_response()
}

pub(super) async fn post_setup(State(app): State<App>, origin: Origin, form: KeyedForm<FormFields>) -> Response {
    let mut cookies = None;
    let act = async |new: NewSetup| {
        let zone: Tz = new.zone.parse().map_err(|_| {
            Refusal::field("/zone", format!("There is no time zone “{}”. Write one such as Europe/Paris.", new.zone))
        })?;
        let (name, passphrase) = (new.owner.sign_in_name.clone(), typed_passphrase(&form.form));
        let farm = NewFarm { name: new.name, zone, currency: new.currency, owner: new.owner };
        app.open_farm(&origin, &new.code, &farm).await?;
        cookies = Some(sign_in(&app, &origin, &name, passphrase, false).await?);
        Ok(StoredResponse { status: 201, body: String::new() })
    };
    let page = setup_page();
    let done = match page.sheet_for("/setup") {
        Ok(sheet) => sheet.submit(&form, act).await,
        Err(problem) => return problem.into_response(),
    };
    let response = answer(done, |_| "/start".to_owned(), async |refused| Ok(page.with_refused(refused))).await;
    match cookies {
        Some(cookies) => (cookies, response).into_response(),
        None => response,
    }
}

fn typed_passphrase(form: &FormFields) -> Passphrase {
    let typed = form.iter().find(|(name, _)| name == "owner.passphrase").map_or("", |(_, value)| value);
    Passphrase::new(typed)
}

/// A thing that a farm needs: whether it is there, what it is, and where it is entered.
type Step = (bool, &'static str, &'static str);

/// What is needed before the first weighing, the first docket, and a temperature record that counts.
fn steps(has: Readiness, docket: &str) -> [(String, Vec<Step>); 3] {
    [
        (
            "Before the first weighing".to_owned(),
            vec![
                (has.strain, "Strains that you grow", "/strains/examples"),
                (has.recipe, "A recipe of your blocks", "/recipes/new"),
                (has.fruiting_room, "A fruiting room", "/rooms/new"),
                (has.crate_kind, "Crates with their tare", "/crates/new"),
                (has.fridge, "A fridge, with the limit of your local rule", "/places/new"),
                (has.batch, "The blocks that stand in your rooms", "/batches/new"),
            ],
        ),
        (
            format!("Before the first {docket}"),
            vec![
                (has.product, "A product", "/products/new"),
                (has.price, "A price list, then prices on the products' pages", "/price-lists/new"),
                (has.best_before, "Days from harvest to best before, on the products' pages", "/products"),
                (has.customer, "A customer", "/customers/new"),
            ],
        ),
        (
            "For the temperature record".to_owned(),
            vec![
                (has.own_limit, "A limit by your own local rule", "/places"),
                (has.probe, "A probe in the fridge, and a token for its board", "/probes/new"),
                (has.reading, "A first reading", "/fridge"),
            ],
        ),
    ]
}

#[derive(askama::Template)]
#[template(path = "start.html")]
pub(super) struct StartPage {
    head: Layout,
    goals: [(String, Vec<Step>); 3],
    /// The first step that is missing.
    next: Option<Step>,
}

pub(super) async fn get_start(State(app): State<App>, who: Authenticated) -> Result<Html<StartPage>, Problem> {
    let (farm, has) = read_tx!(app, who, |tx| Ok((tx.farm().await?, tx.readiness().await?)))?;
    let goals = steps(has, farm.word("docket"));
    let next = goals.iter().flat_map(|(_, steps)| steps).find(|(there, ..)| !there).copied();
    Ok(Html(StartPage { head: Layout::new(&farm, &who, "/settings"), goals, next }))
}

/// The strains of [`EXAMPLES`] that are taken.
#[derive(Debug, Deserialize)]
struct TakenExamples {
    strains: Vec<StrainCode>,
}

async fn examples_page(app: &App, who: &Authenticated) -> Result<ActPage, Problem> {
    read_tx!(app, who, |tx| {
        let farm: Farm = tx.farm().await?;
        let known = tx.strains(&ALL).await?;
        let left = EXAMPLES.iter().filter(|e| !known.iter().any(|s| s.strain.as_str() == e.code));
        let mut page = ActPage::new(
            Layout::new(&farm, who, "/strains"),
            "Strains to begin with",
            ("/strains", "Strains"),
        )
        .about("Take what you grow. Every figure can be changed, and your own mushrooms know better than any book.")
        .or_nothing("You have all of these.")
        .link("/strains/new", "A strain that is not among these");
        let mut options = Vec::new();
        for example in left {
            let life: Vec<String> =
                example.life.iter().map(|(c, days)| format!("{days} days at {}", celsius(*c))).collect();
            let shown = if life.is_empty() {
                "No source measured its shelf life at several temperatures. Enter what you see yourself.".to_owned()
            } else {
                format!("{}. {}", life.join(", "), example.source)
            };
            page = page.detail(example.name, shown);
            let yields = format!("{}, {} g a block", example.name, example.expected_yield_g);
            options.push(choice(&example.code, &yields));
        }
        if options.is_empty() {
            return Ok(page);
        }
        let fields = vec![Field::new("strains", "Which do you grow?", Input::Several).of(options)];
        Ok(page.sheet("", Sheet::new("/strains/examples", "Add these", fields)))
    })
}

pub(super) async fn get_examples(State(app): State<App>, who: Authenticated) -> Result<Html<ActPage>, Problem> {
    first(examples_page(&app, &who).await)
}

pub(super) async fn post_examples(
    State(app): State<App>,
    who: Authenticated,
    form: KeyedForm<FormFields>,
) -> Result<Response, Problem> {
    let act = async |taken: TakenExamples| create_tx!(app, who, &form.once, |tx| take(tx, &taken).await);
    examples_page(&app, &who).await?.take("/strains/examples", &form, act, |_| "/strains".to_owned()).await
}

async fn take(tx: &mut Tx, taken: &TakenExamples) -> StoreResult<Vec<String>> {
    let mut added = Vec::new();
    for code in &taken.strains {
        let example = EXAMPLES
            .iter()
            .find(|example| example.code == code.as_str())
            .ok_or_else(|| Refusal::new(RefusalKind::NotFound, format!("{code} is none of these.")).at("/strains"))?;
        tx.add_strain(&strain_of(example)?).await?;
        added.push(code.to_string());
    }
    Ok(added)
}

/// An example as what a grower would type.
fn strain_of(example: &ExampleStrain) -> Result<NewStrain, Refusal> {
    let wrong = |detail: String| Refusal::new(RefusalKind::Invalid, detail);
    Ok(NewStrain {
        strain: example.code.parse().map_err(wrong)?,
        name: Line::new(example.name).map_err(wrong)?,
        species: Text::new(example.species).map_err(wrong)?,
        latin_name: Text::new(example.latin_name).map_err(wrong)?,
        lowest_safe_c: example.lowest_safe_c,
        expected_yield_g: example.expected_yield_g,
        days_to_first_flush: example.days_to_first_flush,
        flush_interval_days: example.flush_interval_days,
        flushes: example.flushes,
        trim_share: Decimal::new(example.trim_percent, 2),
        life: if example.life.is_empty() { Vec::new() } else { vec![life_of(example)?] },
    })
}

fn life_of(example: &ExampleStrain) -> Result<Life, Refusal> {
    Ok(Life {
        packaging: example.packaging,
        points: example.life.iter().map(|(c, days)| LifePoint { c: *c, days: *days }).collect(),
        spread: example.spread,
        source: Text::new(example.source).map_err(|detail| Refusal::new(RefusalKind::Invalid, detail))?,
    })
}
