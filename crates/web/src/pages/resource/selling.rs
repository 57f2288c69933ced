//! Customers, products, price lists.

use axum::{extract::State, response::Response};
use gillbook_core::{
    kinds::Packaging,
    selling::{
        customer::{Customer, CustomerChange, NewCustomer},
        product::{NewPrice, NewProduct, Price, Product, ProductChange},
        standing_order::ClosedDay,
    },
    units::calendar::Day,
};
use gillbook_store::{
    Pagination, Result as StoreResult, Tx,
    farm::{
        farm_change::FarmChange,
        farms::{BestBeforeRule, Farm},
    },
};
use serde_json::Value;

use super::{
    super::{
        ALL, WEEKDAYS,
        act::ActPage,
        count, full_day, full_time, minus,
        sheet::{Field, FormFields, Input, Sheet},
        zone_of,
    },
    Addable, Changeable, Nothing, Resource, address, answered, choice, item_page,
    price_lists::{from_then_on, price_words},
};
use crate::{
    App,
    auth::Authenticated,
    create_tx,
    extract::{KeyedForm, PathParam, capital},
    problem::Problem,
};

/// How food is packed, in the body and in the grower's words.
pub(in crate::pages) const PACKAGING: [(&str, &str); 3] =
    [("open", "Open crate"), ("vented", "Pack with holes"), ("sealed", "Sealed pack")];

/// How food is packed, in the grower's words.
pub(in crate::pages) fn packed(packaging: Packaging) -> &'static str {
    PACKAGING.iter().find(|(word, _)| *word == packaging.as_str()).map_or(packaging.as_str(), |(_, words)| words)
}

async fn price_lists(tx: &mut Tx) -> StoreResult<Vec<(String, String)>> {
    Ok(tx.price_lists(&ALL).await?.into_iter().map(|l| choice(&l.price_list, &l.name)).collect())
}

pub(in crate::pages) struct Customers;

impl Resource for Customers {
    const PATH: &'static str = "/customers";
    const TITLE: &'static str = "Customers";
    const ADD: &'static str = "Add a customer";
    const CODE: &'static str = "customer";
    const SETTLED: &'static [&'static str] = &["customer"];
    type Item = Customer;

    async fn items(tx: &mut Tx, page: &Pagination) -> StoreResult<Vec<Customer>> {
        tx.customers(page).await
    }

    fn code(customer: &Customer) -> String {
        customer.customer.to_string()
    }

    fn line(c: &Customer) -> (String, String) {
        (c.name.clone(), format!("{}, {}", c.customer, c.kind))
    }

    async fn fields(tx: &mut Tx, _: &Farm) -> StoreResult<Vec<Field>> {
        let kinds = [
            ("restaurant", "Restaurant"),
            ("shop", "Shop"),
            ("market", "People at a market stall"),
            ("wholesale", "Wholesaler"),
        ];
        Ok(vec![
            Field::new("name", "Name", Input::Text),
            Field::new("customer", "Code", Input::Code).hint("such as PLUM"),
            Field::new("kind", "What they are", Input::Touch).of_words(&kinds),
            Field::new("price_list", "Price list", Input::Choice).of(price_lists(tx).await?),
            Field::new("address", "Address", Input::Lines).or_blank(),
            Field::new("email", "E-mail", Input::Text).or_blank(),
            Field::new("telephone", "Telephone", Input::Text).or_blank(),
            Field::new("docket_prices", "Prices on their dockets", Input::Tick).with("true"),
            Field::new("payment_days", "Days to pay an invoice", Input::Whole).with("14").optional(),
            Field::new("tax_number", "Tax number", Input::Text).or_blank(),
            Field::new("country", "Country", Input::Code).hint("two letters, such as FR").or_blank(),
            Field::new("electronic_address", "Electronic address", Input::Text)
                .hint("for e-invoices, such as 0088:7300010000001")
                .or_blank(),
            Field::new("least_days", "Days that must be left when it arrives", Input::Whole).with("0"),
            Field::new("freshest", "Wants the freshest, not the oldest that will do", Input::Tick),
            Field::new("over_percent", "May be over, %", Input::Number).with("10").half(),
            Field::new("under_percent", "May be under, %", Input::Number).hint("once packed").with("5").half(),
            Field::new("min_order_g", "Minimum order, kg", Input::Kilograms).with("0"),
            Field::new("order_by_time", "Order by", Input::Clock).hint("blank: at any time").or_blank().half(),
            Field::new("order_by_days", "Days ahead, 0 to 30", Input::Whole).with("1").optional().half(),
            Field::new("deliver_from", "Takes deliveries from", Input::Clock).or_blank().half(),
            Field::new("deliver_until", "Takes deliveries until", Input::Clock).or_blank().half(),
            Field::new("delivery_days", "Takes deliveries on", Input::Several)
                .of_words(&WEEKDAYS)
                .hint("none ticked: any day")
                .or_blank(),
            Field::new("substitutes", "Accepts substitutes", Input::Tick),
            Field::new("round", "Delivery round", Input::Text).hint("such as Town; blank: none").or_blank().half(),
            Field::new("stop", "Stop on it", Input::Whole).hint("0: none").with("0").half(),
        ])
    }

    fn version(customer: &Customer) -> Option<i32> {
        Some(customer.version)
    }

    async fn more(tx: &mut Tx, _: &Farm, customer: &Customer, page: ActPage) -> StoreResult<ActPage> {
        let crates = tx.crates_at(&customer.customer, tx.now()).await?;
        let page = if crates == 0 {
            page
        } else {
            page.link("/crates-out", format!("Our crates there: {}", minus(&crates.to_string())))
        };
        let page = page
            .link(format!("/orders/new?customer={}", customer.customer), "Take an order")
            .link(format!("/availability?customer={}", customer.customer), "What we have for them")
            .link(format!("/trace?starts_from=customer&code={}", customer.customer), "Trace what they were sent");
        Ok(if page.head.may("GET", "/customers/{customer}/account") {
            page.link(format!("/customers/{}/account", customer.customer), "Invoices and payments")
        } else {
            page
        })
    }
}

impl Addable for Customers {
    type New = NewCustomer;

    async fn add(tx: &mut Tx, new: &NewCustomer) -> StoreResult<Value> {
        Ok(answered(&tx.add_customer(new).await?))
    }
}

impl Changeable for Customers {
    type Change = CustomerChange;

    async fn change(tx: &mut Tx, customer: &Customer, change: &CustomerChange, version: i32) -> StoreResult<Value> {
        Ok(answered(&tx.change_customer(&customer.customer, change, version).await?))
    }
}

pub(in crate::pages) struct Products;

impl Resource for Products {
    const PATH: &'static str = "/products";
    const TITLE: &'static str = "Products";
    const ADD: &'static str = "Add a product";
    const CODE: &'static str = "product";
    const SETTLED: &'static [&'static str] =
        &["product", "strains", "least_grade", "packaging", "form", "pack_g", "gtin"];
    type Item = Product;

    async fn items(tx: &mut Tx, page: &Pagination) -> StoreResult<Vec<Product>> {
        tx.products(page).await
    }

    fn code(product: &Product) -> String {
        product.product.to_string()
    }

    fn line(p: &Product) -> (String, String) {
        let sold = p.pack_g.map_or_else(|| "by weight".to_owned(), |g| format!("packs of {g} g"));
        (p.name.clone(), format!("{}, {sold}", p.product))
    }

    async fn fields(tx: &mut Tx, farm: &Farm) -> StoreResult<Vec<Field>> {
        let strains = tx.strains(&ALL).await?.into_iter().map(|s| choice(&s.strain, &s.name));
        let grades = farm.grades.iter().map(|g| choice(&g.grade, &g.name));
        Ok(vec![
            Field::new("name", "Name", Input::Text),
            Field::new("product", "Code", Input::Code).hint("such as OY-200"),
            Field::new("strains", "Made of any of these strains", Input::Several).of(strains),
            Field::new("least_grade", "Lowest grade that will do", Input::Touch).of(grades),
            Field::new("packaging", "Packed in", Input::Choice)
                .hint("any where none is chosen")
                .of_words(&PACKAGING)
                .optional(),
            Field::new("form", "Fresh or dried", Input::Touch)
                .of_words(&[("fresh", "Fresh"), ("dried", "Dried")])
                .with("fresh"),
            Field::new("pack_g", "Grams in a pack", Input::Whole).hint("empty where it is sold by weight").optional(),
            Field::new("tax_percent", format!("{}, %", capital(&farm.tax_name)), Input::Amount).with("0"),
            Field::new(
                "floor_per_kg",
                format!("Never sell below, a kilogram without {}", farm.tax_name),
                Input::Amount,
            )
            .hint("0: none")
            .with("0")
            .optional(),
            Field::new("gtin", "GTIN, if it has one", Input::Text).optional(),
        ])
    }

    fn version(product: &Product) -> Option<i32> {
        Some(product.version)
    }

    async fn more(tx: &mut Tx, farm: &Farm, product: &Product, mut page: ActPage) -> StoreResult<ActPage> {
        let code = &product.product;
        for rule in farm.best_before.iter().filter(|rule| rule.product == *code) {
            page = page.detail(
                "Best before",
                format!("{} from harvest, {}", count(rule.days.into(), "day"), packed(rule.packaging).to_lowercase()),
            );
        }
        if !page.head.may("GET", "/price-lists") {
            return Ok(page);
        }
        let list_name = |price: &Price| {
            let with = if price.tax_included { format!(" with {}", farm.tax_name) } else { String::new() };
            format!("{}{with}", price.price_list)
        };
        for price in tx.prices().await?.into_iter().filter(|price| price.product == *code) {
            let since = full_time(price.effective_from.0, zone_of(farm));
            let shown = format!("{}, since {since}", price_words(&price, farm));
            page = page.detail(format!("Price, {}", list_name(&price)), shown);
        }
        for price in tx.coming_prices().await?.into_iter().filter(|price| price.product == *code) {
            page = page.detail(format!("Price to come, {}", list_name(&price)), from_then_on(&price, farm));
        }
        if !page.head.may("POST", "/products/{product}/price") {
            return Ok(page);
        }
        let path = address::<Products>(code.as_str());
        let lists = tx.price_lists(&ALL).await?;
        let price = vec![
            Field::hidden("product", code.to_string()),
            Field::new("price_list", "Price list", Input::Choice).of(lists.iter().map(|list| {
                let with = if list.tax_included { "with" } else { "without" };
                choice(&list.price_list, &format!("{}, {with} {}", list.name, farm.tax_name))
            })),
            Field::new("amount", format!("Price, {}", farm.currency), Input::Amount).optional(),
            Field::new("off_list", "Take it off this list instead", Input::Tick),
            Field::new("unit", "For", Input::Touch).of_words(&[("kg", "A kilogram"), ("pack", "A pack")]),
            Field::new("from_g", "For orders from, kg", Input::Kilograms).hint("0: all").with("0").optional(),
            Field::new("below_floor", "Yes, below the least price or for nothing", Input::Tick),
            Field::new("effective_from", "From", Input::Moment(zone_of(farm))).hint("now where empty").optional(),
        ];
        let best_before = vec![
            Field::version(farm.version),
            Field::hidden("product", code.to_string()),
            Field::new("packaging", "Packed in", Input::Touch).of_words(&PACKAGING),
            Field::new("days", "Days from harvest to best before", Input::Whole),
        ];
        Ok(page
            .sheet("A new price", Sheet::new(format!("{path}/price"), "Save the price", price))
            .sheet("Best before, from now on", Sheet::new(format!("{path}/best-before"), "Save the days", best_before)))
    }
}

impl Addable for Products {
    type New = NewProduct;

    async fn add(tx: &mut Tx, new: &NewProduct) -> StoreResult<Value> {
        Ok(answered(&tx.add_product(new).await?))
    }
}

impl Changeable for Products {
    type Change = ProductChange;

    async fn change(tx: &mut Tx, product: &Product, change: &ProductChange, version: i32) -> StoreResult<Value> {
        Ok(answered(&tx.change_product(&product.product, change, version).await?))
    }
}

pub(in crate::pages) async fn post_price(
    State(app): State<App>,
    who: Authenticated,
    PathParam(code): PathParam<String>,
    form: KeyedForm<FormFields>,
) -> Result<Response, Problem> {
    let (page, _) = item_page::<Products>(&app, &who, &code).await?;
    let act = async |new: NewPrice| create_tx!(app, who, &form.once, |tx| tx.set_price(&new).await);
    page.take("/price", &form, act, |_| address::<Products>(&code)).await
}

pub(in crate::pages) async fn post_best_before(
    State(app): State<App>,
    who: Authenticated,
    PathParam(code): PathParam<String>,
    form: KeyedForm<FormFields>,
) -> Result<Response, Problem> {
    let version = Sheet::version_read(&form)?;
    let (page, _) = item_page::<Products>(&app, &who, &code).await?;
    let act = async |rule: BestBeforeRule| {
        let change = FarmChange { best_before: Some(vec![rule]), ..FarmChange::default() };
        create_tx!(app, who, &form.once, |tx| tx.change_farm(&change, version).await)
    };
    page.take("/best-before", &form, act, |_| address::<Products>(&code)).await
}

pub(in crate::pages) struct ClosedDays;

impl Resource for ClosedDays {
    const PATH: &'static str = "/closed-days";
    const TITLE: &'static str = "Days when we are closed";
    const ADD: &'static str = "Add a closed day";
    const CODE: &'static str = "day";
    const SETTLED: &'static [&'static str] = &["day", "name"];
    type Item = ClosedDay;

    async fn items(tx: &mut Tx, page: &Pagination) -> StoreResult<Vec<ClosedDay>> {
        // Those that are past say nothing any more.
        let today = tx.farm_day().await?;
        tx.closed_days(Some(today), page).await
    }

    fn code(closed: &ClosedDay) -> String {
        closed.day.0.to_string()
    }

    fn line(closed: &ClosedDay) -> (String, String) {
        (full_day(closed.day.0), closed.name.to_string())
    }

    async fn fields(_: &mut Tx, _: &Farm) -> StoreResult<Vec<Field>> {
        Ok(vec![
            Field::new("day", "Day", Input::Day),
            Field::new("name", "What it is called", Input::Text).hint("such as Christmas Day"),
        ])
    }

    async fn more(_: &mut Tx, _: &Farm, closed: &ClosedDay, page: ActPage) -> StoreResult<ActPage> {
        if !page.head.may("POST", "/closed-days/{day}/remove") {
            return Ok(page);
        }
        let action = format!("{}/remove", address::<Self>(&Self::code(closed)));
        Ok(page.sheet("", Sheet::new(action, "We deliver that day after all", Vec::new())))
    }
}

impl Addable for ClosedDays {
    type New = ClosedDay;

    async fn add(tx: &mut Tx, new: &ClosedDay) -> StoreResult<Value> {
        Ok(answered(&tx.add_closed_day(new).await?))
    }
}

pub(in crate::pages) async fn post_closed_day_removal(
    State(app): State<App>,
    who: Authenticated,
    PathParam(code): PathParam<Day>,
    form: KeyedForm<FormFields>,
) -> Result<Response, Problem> {
    let (page, _) = item_page::<ClosedDays>(&app, &who, &code.0.to_string()).await?;
    let act = async |_: Nothing| create_tx!(app, who, &form.once, |tx| tx.remove_closed_day(code.0).await);
    page.take("/remove", &form, act, |_| ClosedDays::PATH.to_owned()).await
}
