//! Customers.

use std::collections::BTreeSet;

use gillbook_core::{
    Grams,
    kinds::{CustomerKind, Weekday},
    party::{Country, ElectronicAddress},
    refusal::Refusal,
    selling::customer::{Customer, CustomerChange, NewCustomer, ensure_window},
    text::{CustomerCode, Line, Note, PriceListCode, Text},
    units::clock::ClockTime,
};
use rust_decimal::Decimal;
use sqlx::types::Json;

use crate::{
    Pagination, Result, Tx,
    ranges::ensure_range,
    versions::{ensure_version, ensure_version_matches},
};

/// As its column holds it; what is beyond that is out of the column's range as well.
fn least_weight(grams: Grams) -> i32 {
    i32::try_from(grams.0).unwrap_or(i32::MAX)
}

fn words_of(days: &BTreeSet<Weekday>) -> Vec<String> {
    days.iter().map(ToString::to_string).collect()
}

fn check_tolerance(over: Option<Decimal>, under: Option<Decimal>) -> Result<()> {
    for (percent, pointer, what) in
        [(over, "/over_percent", "The weight over the order"), (under, "/under_percent", "The weight under the order")]
    {
        if let Some(percent) = percent {
            ensure_range(percent, Decimal::ZERO, Decimal::from(50), pointer, what)?;
        }
    }
    Ok(())
}

impl Tx {
    /// Adds a customer, who is also a place.
    ///
    /// # Errors
    /// Refuses a taken code and an unknown price list.
    #[tracing::instrument(level = "debug", name = "store.selling.add_customer", skip_all, fields(farm_id = self.farm.0))]
    pub async fn add_customer(&mut self, new: &NewCustomer) -> Result<Customer> {
        check_tolerance(Some(new.over_percent), Some(new.under_percent))?;
        ensure_window(new.deliver_from, new.deliver_until)?;
        sqlx::query!(
            "insert into place (farm_id, place, name, kind) values ($1, $2, $3, 'customer')",
            self.farm.0,
            new.customer.as_str(),
            new.name.as_str()
        )
        .execute(&mut *self.db)
        .await?;
        sqlx::query!(
            "insert into customer (farm_id, customer, name, kind, price_list, least_days, freshest, over_percent, min_order_g, address, email,
                                   payment_days, tax_number, order_by_days, order_by_time, deliver_from, deliver_until, substitutes, round, stop, under_percent,
                                   telephone, docket_prices, delivery_days, country, electronic_address)
             values ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12, $13, $14, $15, $16, $17, $18, $19, $20, $21, $22, $23, $24, $25, $26)",
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
            new.email.as_str(),
            new.payment_days,
            new.tax_number.as_str(),
            new.order_by_days,
            new.order_by_time.to_string(),
            new.deliver_from.to_string(),
            new.deliver_until.to_string(),
            new.substitutes,
            new.round.as_str(),
            new.stop,
            new.under_percent,
            new.telephone.as_str(),
            new.docket_prices,
            &words_of(&new.delivery_days),
            new.country.as_str(),
            new.electronic_address.as_str()
        )
        .execute(&mut *self.db)
        .await?;
        self.customer(&new.customer).await
    }

    /// Changes a customer.
    ///
    /// # Errors
    /// Refuses a stale version and an unknown price list.
    #[tracing::instrument(level = "debug", name = "store.selling.change_customer", skip_all, fields(farm_id = self.farm.0))]
    pub async fn change_customer(
        &mut self,
        code: &CustomerCode,
        change: &CustomerChange,
        read_version: i32,
    ) -> Result<Customer> {
        let customer = self.customer(code).await?;
        if *change == CustomerChange::default() {
            ensure_version(customer.version, read_version)?;
            return Ok(customer);
        }
        check_tolerance(change.over_percent.map(|p| p.0), change.under_percent.map(|p| p.0))?;
        ensure_window(
            change.deliver_from.unwrap_or(customer.deliver_from),
            change.deliver_until.unwrap_or(customer.deliver_until),
        )?;
        let days = change.delivery_days.as_ref().map(words_of);
        let time = |time: Option<ClockTime>| time.map(|time| time.to_string());
        let done = sqlx::query!(
            "update customer set name = coalesce($4, name), price_list = coalesce($5, price_list), least_days = coalesce($6, least_days),
                    freshest = coalesce($7, freshest), address = coalesce($8, address), email = coalesce($9, email), kind = coalesce($10, kind),
                    over_percent = coalesce($11, over_percent), min_order_g = coalesce($12, min_order_g),
                    payment_days = coalesce($13, payment_days), tax_number = coalesce($14, tax_number),
                    order_by_days = coalesce($15, order_by_days), order_by_time = coalesce($16, order_by_time),
                    deliver_from = coalesce($17, deliver_from), deliver_until = coalesce($18, deliver_until),
                    substitutes = coalesce($19, substitutes), round = coalesce($20, round), stop = coalesce($21, stop),
                    under_percent = coalesce($22, under_percent), telephone = coalesce($23, telephone),
                    docket_prices = coalesce($24, docket_prices), delivery_days = coalesce($25, delivery_days), country = coalesce($26, country),
                    electronic_address = coalesce($27, electronic_address), version = version + 1
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
            change.min_order_g.map(least_weight),
            change.payment_days,
            change.tax_number.as_ref().map(Text::as_str),
            change.order_by_days,
            time(change.order_by_time),
            time(change.deliver_from),
            time(change.deliver_until),
            change.substitutes,
            change.round.as_ref().map(Text::as_str),
            change.stop,
            change.under_percent.map(|p| p.0),
            change.telephone.as_ref().map(Text::as_str),
            change.docket_prices,
            days.as_deref(),
            change.country.as_ref().map(Country::as_str),
            change.electronic_address.as_ref().map(ElectronicAddress::as_str)
        )
        .execute(&mut *self.db)
        .await?;
        ensure_version_matches(done.rows_affected())?;
        self.customer(code).await
    }

    /// One customer.
    ///
    /// # Errors
    /// Refuses one that is not there.
    #[tracing::instrument(level = "debug", name = "store.selling.customer", skip_all, fields(farm_id = self.farm.0))]
    pub async fn customer(&mut self, code: &CustomerCode) -> Result<Customer> {
        self.customers_where(Some(code), &Pagination { after: None, limit: 1 })
            .await?
            .pop()
            .ok_or_else(|| Refusal::not_found(CustomerCode::NOUN, code).into())
    }

    /// Customers by code.
    ///
    /// # Errors
    /// When the database fails.
    #[tracing::instrument(level = "debug", name = "store.selling.customers", skip_all, fields(farm_id = self.farm.0))]
    pub async fn customers(&mut self, page: &Pagination) -> Result<Vec<Customer>> {
        self.customers_where(None, page).await
    }

    async fn customers_where(&mut self, only: Option<&CustomerCode>, page: &Pagination) -> Result<Vec<Customer>> {
        let rows = sqlx::query_scalar!(
            r#"select to_jsonb(c) as "customer!: Json<Customer>" from customer c
                where c.farm_id = $1 and ($2::text is null or c.customer = $2) and ($3::text is null or c.customer > $3)
                order by c.customer limit $4"#,
            self.farm.0,
            only.map(CustomerCode::as_str),
            page.after,
            page.limit
        )
        .fetch_all(&mut *self.db)
        .await?;
        Ok(rows.into_iter().map(|customer| customer.0).collect())
    }
}
