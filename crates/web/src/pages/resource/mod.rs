//! What the farm is made of: its customers, products, strains, rooms, places, people. Each kind has a list to look in, a page of one item
//! with what can be changed, and a form to add one; a kind says what is its own and the pages are the same for all.

mod cold;
mod farm;
mod growing;
mod price_lists;
mod selling;

use std::future::Future;

use askama::Template;
use axum::{extract::State, response::Response};
use gillbook_core::refusal::{Refusal, RefusalKind};
use gillbook_store::{Pagination, Result as StoreResult, Tx, farm::farms::Farm};
use serde::{Deserialize, Serialize, de::DeserializeOwned};
use serde_json::Value;

pub(super) use self::{cold::*, farm::*, growing::*, price_lists::PriceLists, selling::*};
use super::{
    ALL, Html, Layout,
    act::{ActPage, first},
    sheet::{Field, FormFields, Sheet},
};
use crate::{
    App,
    auth::Authenticated,
    create_tx,
    extract::{KeyedForm, PaginationQuery, PathParam, Query},
    problem::Problem,
    read_tx,
};

/// Rows of a list on one page.
const MAX_ROWS: usize = 100;

/// A kind of item that has pages.
pub(super) trait Resource: 'static {
    /// Address of its list.
    const PATH: &'static str;
    /// What the list is called.
    const TITLE: &'static str;
    /// What the button says that adds one.
    const ADD: &'static str;
    /// The member of an answer that holds its code.
    const CODE: &'static str;
    /// Members that are settled when an item is added: shown on its page, not changed.
    const SETTLED: &'static [&'static str];
    /// An item, as the interface answers it.
    type Item: Serialize + Clone + Send + Sync;

    /// Items in the order of their codes.
    fn items(tx: &mut Tx, page: &Pagination) -> impl Future<Output = StoreResult<Vec<Self::Item>>> + Send;

    /// What names an item in its address.
    fn code(item: &Self::Item) -> String;

    /// An item in the list: its name, and the rest of the line.
    fn line(item: &Self::Item) -> (String, String);

    /// The fields of the form that adds one.
    fn fields(tx: &mut Tx, farm: &Farm) -> impl Future<Output = StoreResult<Vec<Field>>> + Send;

    /// Whether the list shows it.
    fn is_listed(_: &Self::Item) -> bool {
        true
    }

    /// The version that a change is made from; none where an item is not changed but replaced by a new one.
    fn version(_: &Self::Item) -> Option<i32> {
        None
    }

    /// What else stands on an item's page.
    fn more(_: &mut Tx, _: &Farm, _: &Self::Item, page: ActPage) -> impl Future<Output = StoreResult<ActPage>> + Send {
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

/// A kind whose items are changed.
pub(super) trait Changeable: Resource {
    /// The body of the interface's act.
    type Change: DeserializeOwned + Send + Sync;

    /// Changes one, if it still is what `version` says.
    fn change(
        tx: &mut Tx,
        item: &Self::Item,
        change: &Self::Change,
        version: i32,
    ) -> impl Future<Output = StoreResult<Value>> + Send;
}

/// An answer of the interface as JSON.
fn answered<T: Serialize>(value: &T) -> Value {
    serde_json::to_value(value).unwrap_or_default()
}

/// Where the page of an item is. A code may hold a stroke.
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

fn row<R: Resource>(item: &R::Item) -> Row {
    let (code, (name, rest)) = (R::code(item), R::line(item));
    Row { address: address::<R>(&code), code, name, rest }
}

/// The rows that hold `q`, whatever its case, and whether there are more of them.
async fn find<R: Resource>(tx: &mut Tx, q: &str, after: Option<String>) -> StoreResult<(Vec<Row>, bool)> {
    let (mut found, mut page) = (Vec::new(), Pagination { after, ..ALL });
    loop {
        let items = R::items(tx, &page).await?;
        page.after = items.last().map(R::code);
        let holds = |row: &Row| [&row.code, &row.name, &row.rest].iter().any(|text| text.to_lowercase().contains(q));
        found.extend(items.iter().filter(|item| R::is_listed(item)).map(row::<R>).filter(holds));
        let is_last = i64::try_from(items.len()).is_ok_and(|n| n < page.limit);
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
    let after = PaginationQuery { limit: None, after: query.after }.page()?.after;
    let q = query.q.unwrap_or_default().trim().chars().take(100).collect::<String>();
    let (farm, (rows, more)) = read_tx!(app, who, |tx| {
        let farm = tx.farm().await?;
        Ok((farm, find::<R>(tx, &q.to_lowercase(), after).await?))
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
    // On to its own page: what it still lacks is added there.
    let on = |added: &Value| added[R::CODE].as_str().map_or_else(|| R::PATH.to_owned(), address::<R>);
    new_page::<R>(&app, &who).await?.take(R::PATH, &form, act, on).await
}

/// The item of a code.
async fn item<R: Resource>(tx: &mut Tx, code: &str) -> StoreResult<R::Item> {
    let mut page = ALL;
    loop {
        let items = R::items(tx, &page).await?;
        if let Some(found) = items.iter().find(|item| R::code(item) == code) {
            return Ok(found.clone());
        }
        if i64::try_from(items.len()).is_ok_and(|n| n < page.limit) {
            let shown: String = code.chars().filter(|c| !c.is_control()).take(40).collect();
            return Err(Refusal::new(
                RefusalKind::NotFound,
                format!("There is no {shown} on this farm. Check the code."),
            )
            .into());
        }
        page.after = items.last().map(R::code);
    }
}

/// The page of one item, and the item.
pub(super) async fn item_page<R: Resource>(
    app: &App,
    who: &Authenticated,
    code: &str,
) -> Result<(ActPage, R::Item), Problem> {
    read_tx!(app, who, |tx| {
        let farm = tx.farm().await?;
        let item = item::<R>(tx, code).await?;
        let (name, _) = R::line(&item);
        let mut page = ActPage::new(Layout::new(&farm, who, R::PATH), name, (R::PATH, R::TITLE));
        let has_fields = !R::SETTLED.is_empty() || R::version(&item).is_some();
        if has_fields && page.head.may("GET", &format!("{}/new", R::PATH)) {
            let sheet = Sheet::new(address::<R>(code), "Save", R::fields(tx, &farm).await?).filled(&item);
            let (settled, mut open): (Vec<Field>, Vec<Field>) =
                sheet.fields.iter().cloned().partition(|field| R::SETTLED.contains(&field.name.as_str()));
            page.details =
                settled.iter().filter(|f| !f.value.is_empty()).map(|f| (f.label.clone(), f.shown())).collect();
            if let Some(version) = R::version(&item) {
                open.push(Field::version(version));
                page = page.sheet("", Sheet { fields: open, ..sheet });
            }
        }
        Ok((R::more(tx, &farm, &item, page).await?, item))
    })
}

pub(super) async fn get_item<R: Resource>(
    State(app): State<App>,
    who: Authenticated,
    PathParam(code): PathParam<String>,
) -> Result<Html<ActPage>, Problem> {
    first(item_page::<R>(&app, &who, &code).await.map(|(page, _)| page))
}

pub(super) async fn post_change<R: Changeable>(
    State(app): State<App>,
    who: Authenticated,
    PathParam(code): PathParam<String>,
    form: KeyedForm<FormFields>,
) -> Result<Response, Problem> {
    let version = Sheet::version_read(&form)?;
    let (page, item) = item_page::<R>(&app, &who, &code).await?;
    let act =
        async |change: R::Change| create_tx!(app, who, &form.once, |tx| R::change(tx, &item, &change, version).await);
    let address = address::<R>(&code);
    page.take(&address, &form, act, |_| address.clone()).await
}

/// The name of an item of a choice, with its code where that says more.
pub(super) fn choice(code: &impl ToString, name: &impl ToString) -> (String, String) {
    let (code, name) = (code.to_string(), name.to_string());
    let shown = if name == code { name } else { format!("{name} ({code})") };
    (code, shown)
}
