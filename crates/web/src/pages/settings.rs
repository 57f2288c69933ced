//! The farm's settings: its name and words, its grades, and the way to everything that it is made of.

use axum::{extract::State, response::Response};
use gillbook_store::farm::{farm_change::FarmChange, farms::Farm};

use super::{
    Html, Layout,
    act::{ActPage, first},
    market::MarketDays,
    resource::{
        ClosedDays, Cooks, Crates, Customers, Nothing, People, Places, PriceLists, Probes, Products, Recipes, Resource,
        Rooms, Strains, Tokens,
    },
    sheet::{Field, FormFields, Input, Sheet},
    standing_orders::StandingOrders,
};
use crate::{App, auth::Authenticated, create_tx, extract::KeyedForm, problem::Problem, read_tx};

/// Grades that the form has room to add.
const NEW_GRADES: usize = 2;

/// Pages of what the farm is made of.
const LISTS: [(&str, &str); 21] = [
    ("/start", "Getting started: what is still missing"),
    (Strains::PATH, Strains::TITLE),
    ("/strains/examples", "Strains to begin with"),
    (Recipes::PATH, Recipes::TITLE),
    (Rooms::PATH, Rooms::TITLE),
    (Cooks::PATH, Cooks::TITLE),
    (Crates::PATH, Crates::TITLE),
    (Places::PATH, Places::TITLE),
    (Probes::PATH, Probes::TITLE),
    (Products::PATH, Products::TITLE),
    (PriceLists::PATH, PriceLists::TITLE),
    (Customers::PATH, Customers::TITLE),
    (MarketDays::PATH, MarketDays::TITLE),
    ("/crates-out", "Crates at customers"),
    (StandingOrders::PATH, StandingOrders::TITLE),
    (ClosedDays::PATH, ClosedDays::TITLE),
    (People::PATH, People::TITLE),
    (Tokens::PATH, Tokens::TITLE),
    ("/phones", "Open Gillbook on a phone"),
    ("/notices", "Alerts: who gets them"),
    ("/checks", "Checks"),
];

fn about_farm(farm: &Farm) -> Sheet {
    let roundings = [
        ("half_up", "Up, as 0.125 to 0.13"),
        ("half_down", "Down, as 0.125 to 0.12"),
        ("half_even", "To the even cent"),
    ];
    let tax_by = [("rate", "Once for each rate"), ("line", "Line by line")];
    let fields = vec![
        Field::version(farm.version),
        Field::new("name", "Name", Input::Text),
        Field::new("address", "Address, as on documents", Input::Lines).or_blank(),
        Field::new("telephone", "Telephone, as on dockets", Input::Text).or_blank(),
        Field::new("email", "E-mail address to which customers' answers go", Input::Text).or_blank(),
        Field::new("storage_line", "How to keep the goods, as on dockets", Input::Text)
            .hint("such as Keep at 0 to 4 °C")
            .or_blank(),
        Field::new("registration", "Registered as a food business under", Input::Text).or_blank(),
        Field::new("tax_name", "What tax is called", Input::Text),
        Field::new("rounding", "Half a cent is rounded", Input::Touch).of_words(&roundings),
        Field::new("cash_step", "Cash totals are rounded to", Input::Amount)
            .hint("such as 0.05 where there is no smaller coin; 0 for no rounding"),
        Field::new("tax_by", "Tax of an invoice is rounded", Input::Touch).of_words(&tax_by),
        Field::new("tax_number", "Your tax number, as on invoices", Input::Text).or_blank(),
        Field::new("exemption_reason", "Why some sales bear no tax, as on invoices", Input::Text)
            .hint("such as the law that exempts a small business")
            .or_blank(),
        Field::new("country", "Country", Input::Code).hint("two letters, such as FR").or_blank(),
        Field::new("electronic_address", "Electronic address", Input::Text)
            .hint("for e-invoices, such as 0088:7300010000001")
            .or_blank(),
        Field::new("payment_details", "How you are paid, as on invoices", Input::Lines)
            .hint("bank, account, name")
            .or_blank(),
        Field::new("paper_size", "Documents print on", Input::Touch).of_words(&[("a4", "A4"), ("letter", "US letter")]),
        Field::new("implied_decimals", "234 on the scale's page means 2.34 kg", Input::Tick),
    ];
    Sheet::new("/settings/farm", "Save", fields).filled(farm)
}

fn words(farm: &Farm) -> Sheet {
    let word = |word: &str, label: &str| Field::new(format!("words.{word}"), label, Input::Text).with(farm.word(word));
    let fields = vec![
        Field::version(farm.version),
        word("docket", "The paper that goes with a delivery"),
        word("verifier", "The person who countersigns"),
        word("plan", "The food-safety plan"),
    ];
    Sheet::new("/settings/words", "Save the words", fields)
}

fn grades(farm: &Farm) -> Sheet {
    let mut fields = vec![Field::version(farm.version)];
    for grade in &farm.grades {
        let name = |field: &str| format!("grades/{}/{field}", grade.grade);
        fields.extend([
            Field::hidden(name("grade"), grade.grade.to_string()),
            Field::hidden_whole(name("rank"), grade.rank),
            Field::new(name("name"), format!("Grade {}, in plain words", grade.grade), Input::Text)
                .with(grade.name.to_string()),
            Field::new(name("published_class"), "Class of a published standard, if any", Input::Text)
                .with(grade.published_class.as_ref().map_or_else(String::new, ToString::to_string))
                .optional(),
        ]);
    }
    for n in 0..NEW_GRADES {
        let name = |field: &str| format!("grades/new-{n}/{field}");
        fields.extend([
            Field::new(name("grade"), "Another grade, code", Input::Code).half(),
            Field::new(name("rank"), "Rank", Input::Whole).hint("1 is the best").half(),
            Field::new(name("name"), "In plain words", Input::Text),
        ]);
    }
    Sheet::new("/settings/grades", "Save the grades", fields)
}

fn docket_links() -> Sheet {
    Sheet::new("/settings/docket-links", "Stop all docket links", Vec::new())
}

async fn settings_page(app: &App, who: &Authenticated) -> Result<ActPage, Problem> {
    read_tx!(app, who, |tx| {
        let farm = tx.farm().await?;
        let page = ActPage::new(Layout::new(&farm, who, "/settings"), "Settings", ("/", "Today"))
            .detail("Currency", farm.currency.clone())
            .detail("Time zone", farm.zone.clone());
        let lists = LISTS.into_iter().filter(|(path, _)| page.head.may("GET", path)).collect::<Vec<_>>();
        let page = if page.head.may("POST", "/settings/farm") {
            page.sheet("The farm", about_farm(&farm)).sheet("Words", words(&farm)).sheet("Grades", grades(&farm))
        } else {
            page
        };
        let page = if page.head.may("POST", "/settings/docket-links") {
            page.sheet("Docket links: those that customers have open nothing any more, new ones do", docket_links())
        } else {
            page
        };
        Ok(lists.into_iter().fold(page, |page, (path, words)| page.link(path, words)))
    })
}

pub(super) async fn get_settings(State(app): State<App>, who: Authenticated) -> Result<Html<ActPage>, Problem> {
    first(settings_page(&app, &who).await)
}

async fn changed(
    app: &App,
    who: &Authenticated,
    form: &KeyedForm<FormFields>,
    action: &str,
) -> Result<Response, Problem> {
    let version = Sheet::version_read(form)?;
    let act = async |change: FarmChange| create_tx!(app, who, &form.once, |tx| tx.change_farm(&change, version).await);
    settings_page(app, who).await?.take(action, form, act, |_| "/settings".to_owned()).await
}

pub(super) async fn post_farm(
    State(app): State<App>,
    who: Authenticated,
    form: KeyedForm<FormFields>,
) -> Result<Response, Problem> {
    changed(&app, &who, &form, "/farm").await
}

pub(super) async fn post_words(
    State(app): State<App>,
    who: Authenticated,
    form: KeyedForm<FormFields>,
) -> Result<Response, Problem> {
    changed(&app, &who, &form, "/words").await
}

pub(super) async fn post_grades(
    State(app): State<App>,
    who: Authenticated,
    form: KeyedForm<FormFields>,
) -> Result<Response, Problem> {
    changed(&app, &who, &form, "/grades").await
}

pub(super) async fn post_docket_links(
    State(app): State<App>,
    who: Authenticated,
    form: KeyedForm<FormFields>,
) -> Result<Response, Problem> {
    let act = async |_: Nothing| create_tx!(app, who, &form.once, |tx| tx.renew_docket_links().await);
    settings_page(&app, &who).await?.take("/docket-links", &form, act, |_| "/settings".to_owned()).await
}
