//! Customers.

use gillbook_core::{
    Grams,
    refusal::Refusal,
    text::{CustomerCode, Line, Note, PriceListCode, Text},
    words::CustomerKind,
};
use rust_decimal::Decimal;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use crate::{
    Page, Result, Tx,
    farm::farms::{expect_current, expect_version},
    ranges::expect_range,
};

/// A customer.
#[derive(Debug, Clone, PartialEq, Serialize, ToSchema)]
pub struct Customer {
    /// Code.
    pub customer: CustomerCode,
    /// Name.
    pub name: String,
    /// Kind, which is also the channel.
    pub kind: CustomerKind,
    /// The price list.
    pub price_list: PriceListCode,
    /// Days that must be left at delivery.
    pub least_days: i32,
    /// Wants the freshest.
    pub freshest: bool,
    /// Per cent over the ordered weight that it takes.
    #[serde(with = "rust_decimal::serde::float")]
    #[schema(value_type = f64)]
    pub over_percent: Decimal,
    /// Least weight of an order.
    pub min_order_g: Grams,
    /// Where it goes.
    pub address: String,
    /// E-mail.
    pub email: String,
    /// Goes up with every change.
    pub version: i32,
}

/// A customer to be added.
#[derive(Debug, Clone, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct NewCustomer {
    /// Code.
    pub customer: CustomerCode,
    /// Name.
    pub name: Line,
    /// Kind.
    pub kind: CustomerKind,
    /// The price list.
    pub price_list: PriceListCode,
    /// Days that must be left at delivery.
    #[serde(default)]
    #[schema(minimum = 0, maximum = 365)]
    pub least_days: i32,
    /// Wants the freshest.
    #[serde(default)]
    pub freshest: bool,
    /// Per cent over the ordered weight that it takes; ten unless said.
    #[serde(default = "ten", with = "rust_decimal::serde::float")]
    #[schema(value_type = f64, minimum = 0, maximum = 50)]
    pub over_percent: Decimal,
    /// Least weight of an order.
    #[serde(default)]
    pub min_order_g: Grams,
    /// Where it goes.
    #[serde(default)]
    pub address: Note,
    /// E-mail.
    #[serde(default)]
    pub email: Text<0, 254>,
}

/// As its column holds it; what is beyond that is out of the column's range as well.
fn least_weight(grams: Grams) -> i32 {
    i32::try_from(grams.0).unwrap_or(i32::MAX)
}

fn check_over_percent(percent: Decimal) -> Result<()> {
    Ok(expect_range(percent, Decimal::ZERO, Decimal::from(50), "/over_percent", "The weight over the order")?)
}

const fn ten() -> Decimal {
    Decimal::TEN
}

/// Per cent, as a JSON number.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Deserialize)]
#[serde(transparent)]
pub struct Percent(#[serde(with = "rust_decimal::serde::float")] pub Decimal);

/// Changes of a customer.
#[derive(Debug, Clone, Default, PartialEq, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct CustomerChange {
    /// Name.
    pub name: Option<Line>,
    /// Kind, which is also the channel: what was sold to it before counts under the new one in weeks that are not closed.
    pub kind: Option<CustomerKind>,
    /// The price list.
    pub price_list: Option<PriceListCode>,
    /// Days that must be left at delivery.
    pub least_days: Option<i32>,
    /// Wants the freshest.
    pub freshest: Option<bool>,
    /// Per cent over the ordered weight that it takes.
    #[schema(value_type = Option<f64>, minimum = 0, maximum = 50)]
    pub over_percent: Option<Percent>,
    /// Least weight of an order.
    pub min_order_g: Option<Grams>,
    /// Where it goes.
    pub address: Option<Note>,
    /// E-mail.
    pub email: Option<Text<0, 254>>,
}

impl Tx {
    /// Adds a customer, who is also a place.
    ///
    /// # Errors
    /// Refuses a taken code and an unknown price list.
    pub async fn add_customer(&mut self, new: &NewCustomer) -> Result<Customer> {
        check_over_percent(new.over_percent)?;
        sqlx::query!(
            "insert into place (farm_id, place, name, kind) values ($1, $2, $3, 'customer')",
            self.farm.0,
            new.customer.as_str(),
            new.name.as_str()
        )
        .execute(&mut *self.db)
        .await?;
        sqlx::query!(
            "insert into customer (farm_id, customer, name, kind, price_list, least_days, freshest, over_percent, min_order_g, address, email)
             values ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11)",
            self.farm.0,
            new.customer.as_str(),
            new.name.as_str(),
            new.kind.as_str(),
            new.price_list.as_str(),
            new.least_days,
            new.freshest,
            new.over_percent,
            least_weight(new.min_order_g),
            new.address.as_str(),
            new.email.as_str()
        )
        .execute(&mut *self.db)
        .await?;
        self.customer(&new.customer).await
    }

    /// Changes a customer.
    ///
    /// # Errors
    /// Refuses a stale version and an unknown price list.
    pub async fn change_customer(
        &mut self,
        code: &CustomerCode,
        change: &CustomerChange,
        read_version: i32,
    ) -> Result<Customer> {
        let customer = self.customer(code).await?;
        if *change == CustomerChange::default() {
            expect_version(customer.version, read_version)?;
            return Ok(customer);
        }
        if let Some(percent) = change.over_percent {
            check_over_percent(percent.0)?;
        }
        let done = sqlx::query!(
            "update customer set name = coalesce($4, name), price_list = coalesce($5, price_list), least_days = coalesce($6, least_days),
                    freshest = coalesce($7, freshest), address = coalesce($8, address), email = coalesce($9, email), kind = coalesce($10, kind),
                    over_percent = coalesce($11, over_percent), min_order_g = coalesce($12, min_order_g), version = version + 1
              where farm_id = $1 and customer = $2 and version = $3",
            self.farm.0,
            code.as_str(),
            read_version,
            change.name.as_ref().map(Line::as_str),
            change.price_list.as_ref().map(PriceListCode::as_str),
            change.least_days,
            change.freshest,
            change.address.as_ref().map(Note::as_str),
            change.email.as_ref().map(Text::as_str),
            change.kind.map(CustomerKind::as_str),
            change.over_percent.map(|p| p.0),
            change.min_order_g.map(least_weight)
        )
        .execute(&mut *self.db)
        .await?;
        expect_current(done.rows_affected())?;
        self.customer(code).await
    }

    /// One customer.
    ///
    /// # Errors
    /// Refuses one that is not there.
    pub async fn customer(&mut self, code: &CustomerCode) -> Result<Customer> {
        self.customers_where(Some(code), &Page { after: None, limit: 1 })
            .await?
            .pop()
            .ok_or_else(|| Refusal::not_found(CustomerCode::WHAT, code).into())
    }

    /// Customers by code.
    ///
    /// # Errors
    /// When the database fails.
    pub async fn customers(&mut self, page: &Page) -> Result<Vec<Customer>> {
        self.customers_where(None, page).await
    }

    async fn customers_where(&mut self, only: Option<&CustomerCode>, page: &Page) -> Result<Vec<Customer>> {
        let rows = sqlx::query!(
            r#"select customer as "customer: CustomerCode", name, kind as "kind: CustomerKind", price_list as "price_list: PriceListCode", least_days,
                      freshest, over_percent, min_order_g, address, email, version
                 from customer where farm_id = $1 and ($2::text is null or customer = $2) and ($3::text is null or customer > $3)
                order by customer limit $4"#,
            self.farm.0,
            only.map(CustomerCode::as_str),
            page.after,
            page.limit
        )
        .fetch_all(&mut *self.db)
        .await?;
        Ok(rows
            .into_iter()
            .map(|r| Customer {
                customer: r.customer,
                name: r.name,
                kind: r.kind,
                price_list: r.price_list,
                least_days: r.least_days,
                freshest: r.freshest,
                over_percent: r.over_percent,
                min_order_g: Grams(r.min_order_g.into()),
                address: r.address,
                email: r.email,
                version: r.version,
            })
            .collect())
    }
}
