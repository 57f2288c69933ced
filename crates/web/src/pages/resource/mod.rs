//! What the farm is made of: its customers, products, strains, rooms, places, people. Each kind has a list to look in, a page of one entry
//! with what can be changed, and a form to add one; a kind says what is its own and the pages are the same for all.

mod cold;
mod farm;
mod growing;
mod selling;

use std::future::Future;

use askama::Template;
use axum::{extract::State, response::Response};
use gillbook_core::refusal::{Refusal, RefusalKind};
use gillbook_store::{Pagination, Result as StoreResult, Tx, farm::farms::Farm};
use serde::{Deserialize, Serialize, de::DeserializeOwned};
use serde_json::Value;

pub(super) use self::{cold::*, farm::*, growing::*, selling::*};
use super::{
    ALL, Html, Layout,
    act::{ActPage, first},
    sheet::{Field, FormFields, Sheet},
};
use crate::{
    App,
    auth::Authenticated,
    create_tx,
    extract::{KeyedForm, PathParam, Query},
    problem::Problem,
    read_tx,
};

/// Rows of a list on one page.
const MAX_ROWS: usize = 100;

/// A kind of entry that has pages.
pub(super) trait Resource: 'static {
    /// Address of its list.
    const PATH: &'static str;
    /// What the list is called.
    const TITLE: &'static str;
    /// What the button says that adds one.
    const ADD: &'static str;
    /// Members that are settled when an entry is added: shown on its page, not changed.
    const SETTLED: &'static [&'static str];
    /// An entry, as the interface answers it.
    type Entry: Serialize + Clone + Send + Sync;

    /// Entries in the order of their codes.
    fn entries(tx: &mut Tx, page: &Pagination) -> impl Future<Output = StoreResult<Vec<Self::Entry>>> + Send;

    /// What names an entry in its address.
    fn code(entry: &Self::Entry) -> String;

    /// An entry in the list: its name, and the rest of the line.
    fn line(entry: &Self::Entry) -> (String, String);

    /// The fields of the form that adds one.
    fn fields(tx: &mut Tx, farm: &Farm) -> impl Future<Output = StoreResult<Vec<Field>>> + Send;

    /// The version that a change is made from; none where an entry is not changed but replaced by a new one.
    fn version(_: &Self::Entry) -> Option<i32> {
        None
    }

    /// What else stands on an entry's page.
    fn more(_: &mut Tx, _: &Farm, _: &Self::Entry, page: ActPage) -> impl Future<Output = StoreResult<ActPage>> + Send {
        async { Ok(page) }
    }
}

/// A kind that a form adds to.
pub(super) trait Addable: Resource {
    /// The body of the interface's act.
    type New: DeserializeOwned + Send + Sync;

    /// Adds one.
    fn add(tx: &mut Tx, new: &Self::New) -> impl Future<Output = StoreResult<Value>> + Send;
}

/// A kind whose entries are changed.
pub(super) trait Changeable: Resource {
    /// The body of the interface's act.
    type Change: DeserializeOwned + Send + Sync;

    /// Changes one, if it still is what `version` says.
    fn change(
        tx: &mut Tx,
        entry: &Self::Entry,
        change: &Self::Change,
        version: i32,
    ) -> impl Future<Output = StoreResult<Value>> + Send;
}

/// An answer of the interface as JSON.
fn answered<T: Serialize>(value: &T) -> Value {
    serde_json::to_value(value).unwrap_or_default()
}

/// Where the page of an entry is. A code may hold a stroke.
fn address<R: Resource>(code: &str) -> String {
    let code = percent_encoding::utf8_percent_encode(code, percent_encoding::NON_ALPHANUMERIC);
    format!("{}/{code}", R::PATH)
}

/// What a list is narrowed to.
#[derive(Debug, Clone, Default, Deserialize)]
pub(super) struct ListQuery {
    /// A part of a code, a name, or whatever else stands in the line.
    q: Option<String>,
    /// The code after which the list goes on.
    after: Option<String>,
}

#[derive(Template)]
#[template(path = "resource.html")]
pub(super) struct ListPage {
    head: Layout,
    path: &'static str,
    title: &'static str,
    add: Option<&'static str>,
    q: String,
    rows: Vec<Row>,
    /// Address of the rows after these.
    next: Option<String>,
}

struct Row {
    address: String,
    code: String,
    name: String,
    rest: String,
}

fn row<R: Resource>(entry: &R::Entry) -> Row {
    let (code, (name, rest)) = (R::code(entry), R::line(entry));
    Row { address: address::<R>(&code), code, name, rest }
}

/// The rows that hold `q`, whatever its case, and whether there are more of them.
async fn find<R: Resource>(tx: &mut Tx, q: &str, after: Option<String>) -> StoreResult<(Vec<Row>, bool)> {
    let (mut found, mut page) = (Vec::new(), Pagination { after, ..ALL });
    loop {
        let entries = R::entries(tx, &page).await?;
        page.after = entries.last().map(R::code);
        let holds = |row: &Row| [&row.code, &row.name, &row.rest].iter().any(|text| text.to_lowercase().contains(q));
        found.extend(entries.iter().map(row::<R>).filter(holds));
        let is_last = i64::try_from(entries.len()).is_ok_and(|n| n < page.limit);
        if is_last || found.len() > MAX_ROWS {
            let more = found.len() > MAX_ROWS;
            found.truncate(MAX_ROWS);
            return Ok((found, more));
        }
    }
}

pub(super) async fn get_list<R: Resource>(
    State(app): State<App>,
    who: Authenticated,
    Query(query): Query<ListQuery>,
) -> Result<Html<ListPage>, Problem> {
    let q = query.q.unwrap_or_default().trim().chars().take(100).collect::<String>();
    let (farm, (rows, more)) = read_tx!(app, who, |tx| {
        let farm = tx.farm().await?;
        Ok((farm, find::<R>(tx, &q.to_lowercase(), query.after).await?))
    })?;
    let head = Layout::new(&farm, &who, R::PATH);
    let add = head.may("GET", &format!("{}/new", R::PATH)).then_some(R::ADD);
    let next = rows.last().filter(|_| more).map(|last| {
        let asked = serde_urlencoded::to_string([("q", q.as_str()), ("after", last.code.as_str())]).unwrap_or_default();
        format!("{}?{asked}", R::PATH)
    });
    Ok(Html(ListPage { head, path: R::PATH, title: R::TITLE, add, q, rows, next }))
}

pub(super) async fn new_page<R: Resource>(app: &App, who: &Authenticated) -> Result<ActPage, Problem> {
    read_tx!(app, who, |tx| {
        let farm = tx.farm().await?;
        let fields = R::fields(tx, &farm).await?;
        Ok(ActPage::new(Layout::new(&farm, who, R::PATH), R::ADD, (R::PATH, R::TITLE))
            .sheet("", Sheet::new(R::PATH, "Save", fields)))
    })
}

pub(super) async fn get_new<R: Resource>(State(app): State<App>, who: Authenticated) -> Result<Html<ActPage>, Problem> {
    first(new_page::<R>(&app, &who).await)
}

pub(super) async fn post_new<R: Addable>(
    State(app): State<App>,
    who: Authenticated,
    form: KeyedForm<FormFields>,
) -> Result<Response, Problem> {
    let act = async |new: R::New| create_tx!(app, who, &form.once, |tx| R::add(tx, &new).await);
    new_page::<R>(&app, &who).await?.take(R::PATH, &form, act, |_| R::PATH.to_owned()).await
}

/// The entry of a code.
async fn entry<R: Resource>(tx: &mut Tx, code: &str) -> StoreResult<R::Entry> {
    let mut page = ALL;
    loop {
        let entries = R::entries(tx, &page).await?;
        if let Some(found) = entries.iter().find(|entry| R::code(entry) == code) {
            return Ok(found.clone());
        }
        if i64::try_from(entries.len()).is_ok_and(|n| n < page.limit) {
            let shown: String = code.chars().filter(|c| !c.is_control()).take(40).collect();
            return Err(Refusal::new(
                RefusalKind::NotFound,
                format!("There is no {shown} on this farm. Check the code."),
            )
            .into());
        }
        page.after = entries.last().map(R::code);
    }
}

/// The page of one entry, and the entry.
pub(super) async fn entry_page<R: Resource>(
    app: &App,
    who: &Authenticated,
    code: &str,
) -> Result<(ActPage, R::Entry), Problem> {
    read_tx!(app, who, |tx| {
        let farm = tx.farm().await?;
        let entry = entry::<R>(tx, code).await?;
        let (name, _) = R::line(&entry);
        let mut page = ActPage::new(Layout::new(&farm, who, R::PATH), name, (R::PATH, R::TITLE));
        if page.head.may("GET", &format!("{}/new", R::PATH)) {
            let sheet = Sheet::new(address::<R>(code), "Save", R::fields(tx, &farm).await?).filled(&entry);
            let (settled, mut open): (Vec<Field>, Vec<Field>) =
                sheet.fields.iter().cloned().partition(|field| R::SETTLED.contains(&field.name.as_str()));
            page.facts = settled.iter().filter(|f| !f.value.is_empty()).map(|f| (f.label.clone(), f.shown())).collect();
            if let Some(version) = R::version(&entry) {
                open.push(Field::version(version));
                page = page.sheet("", Sheet { fields: open, ..sheet });
            }
        }
        Ok((R::more(tx, &farm, &entry, page).await?, entry))
    })
}

pub(super) async fn get_entry<R: Resource>(
    State(app): State<App>,
    who: Authenticated,
    PathParam(code): PathParam<String>,
) -> Result<Html<ActPage>, Problem> {
    first(entry_page::<R>(&app, &who, &code).await.map(|(page, _)| page))
}

pub(super) async fn post_entry<R: Changeable>(
    State(app): State<App>,
    who: Authenticated,
    PathParam(code): PathParam<String>,
    form: KeyedForm<FormFields>,
) -> Result<Response, Problem> {
    let version = Sheet::version_read(&form)?;
    let (page, entry) = entry_page::<R>(&app, &who, &code).await?;
    let act =
        async |change: R::Change| create_tx!(app, who, &form.once, |tx| R::change(tx, &entry, &change, version).await);
    let address = address::<R>(&code);
    page.take(&address, &form, act, |_| address.clone()).await
}

/// The name of an entry of a choice, with its code where that says more.
pub(super) fn choice(code: &impl ToString, name: &impl ToString) -> (String, String) {
    let (code, name) = (code.to_string(), name.to_string());
    let shown = if name == code { name } else { format!("{name} ({code})") };
    (code, shown)
}
