//! People and tokens.

use askama::Template;
use axum::{
    extract::State,
    http::HeaderMap,
    response::{IntoResponse, Response},
};
use gillbook_core::kinds::Scope;
use gillbook_store::{
    Pagination, Result as StoreResult, Tx,
    farm::{
        farms::Farm,
        people::{NewPerson, Person},
        tokens::{NewToken, Token},
    },
    idempotency::StoredResponse,
};
use serde::Deserialize;
use serde_json::Value;
use uuid::Uuid;

use super::{
    super::{
        ALL, Html, Layout,
        act::{ActPage, answer},
        full_time,
        phones::{home_of, qr_code},
        sheet::{Field, FormFields, Input, Sheet},
        zone_of,
    },
    Addable, Resource, address, answered, choice, item_page, new_page,
};
use crate::{
    App,
    auth::Authenticated,
    create_tx,
    extract::{KeyedForm, PathParam, capital},
    problem::Problem,
    write_tx,
};

/// The body of an act that says nothing more.
#[derive(Debug, Deserialize)]
pub(in crate::pages) struct Nothing {}

/// What comes after a code, of a list that the store reads at once.
fn after<R: Resource>(page: &Pagination, all: Vec<R::Item>) -> Vec<R::Item> {
    match &page.after {
        None => all,
        Some(code) => all.into_iter().skip_while(|item| R::code(item) != *code).skip(1).collect(),
    }
}

pub(in crate::pages) struct People;

impl Resource for People {
    const PATH: &'static str = "/people";
    const TITLE: &'static str = "People";
    const ADD: &'static str = "Add a person";
    const CODE: &'static str = "person_id";
    const SETTLED: &'static [&'static str] = &["name", "initials", "role"];
    type Item = Person;

    async fn items(tx: &mut Tx, page: &Pagination) -> StoreResult<Vec<Person>> {
        Ok(after::<Self>(page, tx.people().await?))
    }

    fn code(person: &Person) -> String {
        person.person_id.to_string()
    }

    fn line(person: &Person) -> (String, String) {
        let gone = if person.removed_at.is_some() { ", removed" } else { "" };
        (person.name.clone(), format!("{}, {}{gone}", person.initials, person.role))
    }

    async fn fields(_: &mut Tx, farm: &Farm) -> StoreResult<Vec<Field>> {
        let verifier = format!("{}: reads the records and countersigns", capital(farm.word("verifier")));
        let roles = [
            ("owner", "Owner: everything"),
            ("picker", "Picker: weighs, packs, counts, sets aside"),
            ("driver", "Driver: takes crates out and hands them over"),
            ("verifier", &verifier),
            ("bookkeeper", "Bookkeeper: invoices, payments, sales and weeks"),
        ];
        Ok(vec![
            Field::new("name", "Name", Input::Text),
            Field::new("initials", "Initials", Input::Code).hint("such as MI"),
            Field::new("role", "What they may do", Input::Touch).of_words(&roles),
            Field::new("sign_in_name", "Name to sign in with", Input::Text),
            Field::new("passphrase", "Passphrase, at least twelve characters", Input::Secret),
        ])
    }

    async fn more(_: &mut Tx, farm: &Farm, person: &Person, page: ActPage) -> StoreResult<ActPage> {
        let zone = zone_of(farm);
        let page = page.detail("Since", full_time(person.added_at, zone));
        Ok(match person.removed_at {
            Some(at) => page.detail("Removed", full_time(at, zone)),
            None if page.head.may("POST", "/people/{person}/remove") => {
                let path = format!("{}/remove", address::<People>(&Self::code(person)));
                page.sheet(
                    "They can no longer sign in; what they did stays theirs",
                    Sheet::new(path, "Remove them", Vec::new()),
                )
            }
            None => page,
        })
    }
}

impl Addable for People {
    type New = NewPerson;

    async fn add(tx: &mut Tx, new: &NewPerson) -> StoreResult<Value> {
        Ok(answered(&tx.add_person(new).await?))
    }
}

pub(in crate::pages) async fn post_person_removal(
    State(app): State<App>,
    who: Authenticated,
    PathParam(code): PathParam<String>,
    form: KeyedForm<FormFields>,
) -> Result<Response, Problem> {
    let (page, person) = item_page::<People>(&app, &who, &code).await?;
    let act = async |_: Nothing| create_tx!(app, who, &form.once, |tx| tx.remove_person(person.person_id).await);
    page.take("/remove", &form, act, |_| People::PATH.to_owned()).await
}

pub(in crate::pages) struct Tokens;

impl Resource for Tokens {
    const PATH: &'static str = "/tokens";
    const TITLE: &'static str = "Tokens for devices";
    const ADD: &'static str = "Make a token";
    const CODE: &'static str = "token_id";
    const SETTLED: &'static [&'static str] = &["name", "scope", "probe"];
    type Item = Token;

    async fn items(tx: &mut Tx, page: &Pagination) -> StoreResult<Vec<Token>> {
        Ok(after::<Self>(page, tx.tokens().await?))
    }

    fn code(token: &Token) -> String {
        token.token_id.to_string()
    }

    fn line(token: &Token) -> (String, String) {
        let gone = if token.removed_at.is_some() { ", taken back" } else { "" };
        (token.name.clone(), format!("{}{gone}", token.scope))
    }

    async fn fields(tx: &mut Tx, _: &Farm) -> StoreResult<Vec<Field>> {
        let probes = tx.probes(&ALL).await?.into_iter().map(|p| choice(&p.probe, &p.probe));
        let scopes = [
            ("readings", "Post the readings of one probe"),
            ("read", "Read what a bookkeeper may read"),
            ("calendar", "Show deliveries and harvests in a calendar"),
        ];
        Ok(vec![
            Field::new("name", "What it is for", Input::Text),
            Field::new("scope", "What it may do", Input::Touch).of_words(&scopes),
            Field::new("probe", "Whose readings it posts", Input::Choice).of(probes).optional(),
            Field::new("days", "Days that it lasts", Input::Whole).hint("a year where empty").optional(),
        ])
    }

    async fn more(_: &mut Tx, farm: &Farm, token: &Token, page: ActPage) -> StoreResult<ActPage> {
        let zone = zone_of(farm);
        let page = page.detail("Made", full_time(token.made_at, zone)).detail("Ends", full_time(token.ends_at, zone));
        let Some(at) = token.removed_at else {
            let path = format!("{}/remove", address::<Tokens>(&Self::code(token)));
            return Ok(
                page.sheet("Nothing that holds it is let in any more", Sheet::new(path, "Take it back", Vec::new()))
            );
        };
        Ok(page.detail("Taken back", full_time(at, zone)))
    }
}

/// A secret, shown this once.
#[derive(Template)]
#[template(path = "secret.html")]
struct MadePage {
    head: Layout,
    token: Token,
    secret: String,
    /// Where the board sends its readings; of a calendar, where it is.
    address: String,
    /// The secret, or the calendar's address, as a code to scan.
    code: String,
}

/// Makes a token by the form of a page and shows its secret.
pub(super) async fn made_page(
    app: &App,
    who: &Authenticated,
    headers: &HeaderMap,
    page: ActPage,
    action: &str,
    form: &KeyedForm<FormFields>,
) -> Result<Response, Problem> {
    let home = home_of(app, headers);
    let head = page.head.clone();
    let mut made = None;
    let act = async |new: NewToken| {
        made = Some(write_tx!(app, who, |tx| {
            // The key is reserved and its answer never kept, so that the secret is not stored.
            tx.reserve_key(&form.once).await?;
            tx.make_token(&new).await
        })?);
        Ok(StoredResponse { status: 201, body: String::new() })
    };
    let done = page.sheet_for(action)?.submit(form, act).await;
    match made {
        Some((token, secret)) => {
            let (address, code) = if token.scope == Scope::Calendar {
                let address = format!("{home}/calendar/{secret}.ics");
                (address.clone(), qr_code(&address))
            } else {
                (format!("{home}/api/readings"), qr_code(&secret))
            };
            Ok(Html(MadePage { head, token, secret, address, code }).into_response())
        }
        None => Ok(answer(done, |_| Tokens::PATH.to_owned(), async |refused| Ok(page.with_refused(refused))).await),
    }
}

pub(in crate::pages) async fn post_token(
    State(app): State<App>,
    who: Authenticated,
    headers: HeaderMap,
    form: KeyedForm<FormFields>,
) -> Result<Response, Problem> {
    let page = new_page::<Tokens>(&app, &who).await?;
    made_page(&app, &who, &headers, page, Tokens::PATH, &form).await
}

pub(in crate::pages) async fn post_token_removal(
    State(app): State<App>,
    who: Authenticated,
    PathParam(code): PathParam<Uuid>,
    form: KeyedForm<FormFields>,
) -> Result<Response, Problem> {
    let (page, _) = item_page::<Tokens>(&app, &who, &code.to_string()).await?;
    let act = async |_: Nothing| {
        let done = create_tx!(app, who, &form.once, |tx| tx.remove_token(code).await);
        app.store.invalidate_token_cache();
        done
    };
    page.take("/remove", &form, act, |_| Tokens::PATH.to_owned()).await
}
