//! Products, price lists and prices.

use std::collections::BTreeMap;

use gillbook_core::{
    kinds::{Form, Packaging, PriceUnit},
    refusal::{FieldErrors, Refusal},
    selling::product::{NewProduct, Price, PriceList, Product, ProductChange},
    text::{GradeCode, Line, PriceListCode, ProductCode, StrainCode, Text},
    units::{calendar::Instant, money::ensure_unit_price},
};
use rust_decimal::Decimal;

use crate::{
    Pagination, Result, Tx,
    error::OrMissing,
    ranges::ensure_range,
    versions::{ensure_version, ensure_version_matches},
};

impl Tx {
    /// Adds a product.
    ///
    /// # Errors
    /// Refuses a taken code, no strain, an unknown grade or strain.
    #[tracing::instrument(level = "debug", name = "store.selling.add_product", skip_all, fields(farm_id = self.farm.0))]
    pub async fn add_product(&mut self, new: &NewProduct) -> Result<Product> {
        let mut faults = FieldErrors::default();
        faults.check((1..=20).contains(&new.strains.len()), "/strains", "A product is sold of 1 to 20 strains.");
        faults.check(
            (Decimal::ZERO..=Decimal::ONE_HUNDRED).contains(&new.tax_percent),
            "/tax_percent",
            "A tax rate lies between 0 and 100 per cent.",
        );
        faults.done()?;
        sqlx::query!(
            "insert into product (farm_id, product, name, least_grade, packaging, form, pack_g, tax_percent, gtin) values ($1, $2, $3, $4, $5, $6, $7, $8, $9)",
            self.farm.0,
            new.product.as_str(),
            new.name.as_str(),
            new.least_grade.as_str(),
            new.packaging.map(Packaging::as_str),
            new.form.unwrap_or(Form::Fresh).as_str(),
            new.pack_g,
            new.tax_percent,
            new.gtin.as_ref().map(Text::as_str)
        )
        .execute(&mut *self.db)
        .await?;
        let strains: Vec<String> = new.strains.iter().map(ToString::to_string).collect();
        sqlx::query!(
            "insert into product_strain (farm_id, product, strain) select distinct $1::int, $2::text, s from unnest($3::text[]) as s",
            self.farm.0,
            new.product.as_str(),
            &strains
        )
        .execute(&mut *self.db)
        .await?;
        self.product(&new.product).await
    }

    /// Changes a product.
    ///
    /// # Errors
    /// Refuses a stale version.
    #[tracing::instrument(level = "debug", name = "store.selling.change_product", skip_all, fields(farm_id = self.farm.0))]
    pub async fn change_product(
        &mut self,
        code: &ProductCode,
        change: &ProductChange,
        read_version: i32,
    ) -> Result<Product> {
        let product = self.product(code).await?;
        if *change == ProductChange::default() {
            ensure_version(product.version, read_version)?;
            return Ok(product);
        }
        if let Some(percent) = change.tax_percent {
            ensure_range(percent, Decimal::ZERO, Decimal::ONE_HUNDRED, "/tax_percent", "A tax rate in per cent")?;
        }
        let done = sqlx::query!(
            "update product set name = coalesce($4, name), tax_percent = coalesce($5, tax_percent), version = version + 1
              where farm_id = $1 and product = $2 and version = $3",
            self.farm.0,
            code.as_str(),
            read_version,
            change.name.as_ref().map(Line::as_str),
            change.tax_percent
        )
        .execute(&mut *self.db)
        .await?;
        ensure_version_matches(done.rows_affected())?;
        self.product(code).await
    }

    /// One product.
    ///
    /// # Errors
    /// Refuses one that is not there.
    #[tracing::instrument(level = "debug", name = "store.selling.product", skip_all, fields(farm_id = self.farm.0))]
    pub async fn product(&mut self, code: &ProductCode) -> Result<Product> {
        self.products_where(Some(std::slice::from_ref(code)), &Pagination { after: None, limit: 1 })
            .await?
            .pop()
            .ok_or_else(|| Refusal::not_found(ProductCode::NOUN, code).into())
    }

    /// Products by code.
    ///
    /// # Errors
    /// When the database fails.
    #[tracing::instrument(level = "debug", name = "store.selling.products", skip_all, fields(farm_id = self.farm.0))]
    pub async fn products(&mut self, page: &Pagination) -> Result<Vec<Product>> {
        self.products_where(None, page).await
    }

    /// Those of some products that are there.
    pub(crate) async fn products_named(&mut self, codes: &[ProductCode]) -> Result<BTreeMap<ProductCode, Product>> {
        let limit = i64::try_from(codes.len()).unwrap_or(i64::MAX);
        let products = self.products_where(Some(codes), &Pagination { after: None, limit }).await?;
        Ok(products.into_iter().map(|p| (p.product.clone(), p)).collect())
    }

    async fn products_where(&mut self, only: Option<&[ProductCode]>, page: &Pagination) -> Result<Vec<Product>> {
        let only: Option<Vec<String>> = only.map(|codes| codes.iter().map(ToString::to_string).collect());
        let rows = sqlx::query!(
            r#"select p.product as "product: ProductCode", p.name, p.least_grade as "least_grade: GradeCode", p.packaging as "packaging: Packaging",
                      p.form as "form: Form", p.pack_g, p.tax_percent, p.gtin, p.version,
                      (select array_agg(s.strain order by s.strain) from product_strain s where s.farm_id = p.farm_id and s.product = p.product) as "strains!: Vec<StrainCode>"
                 from product p where p.farm_id = $1 and ($2::text[] is null or p.product = any ($2)) and ($3::text is null or p.product > $3)
                order by p.product limit $4"#,
            self.farm.0,
            only.as_deref(),
            page.after,
            page.limit
        )
        .fetch_all(&mut *self.db)
        .await?;
        Ok(rows
            .into_iter()
            .map(|r| Product {
                product: r.product,
                name: r.name,
                strains: r.strains,
                least_grade: r.least_grade,
                packaging: r.packaging,
                form: r.form,
                pack_g: r.pack_g,
                tax_percent: r.tax_percent.normalize(),
                gtin: r.gtin,
                version: r.version,
            })
            .collect())
    }

    /// Adds a price list.
    ///
    /// # Errors
    /// Refuses a taken code.
    #[tracing::instrument(level = "debug", name = "store.selling.add_price_list", skip_all, fields(farm_id = self.farm.0))]
    pub async fn add_price_list(&mut self, new: &PriceList) -> Result<()> {
        sqlx::query!(
            "insert into price_list (farm_id, price_list, name) values ($1, $2, $3)",
            self.farm.0,
            new.price_list.as_str(),
            new.name.as_str()
        )
        .execute(&mut *self.db)
        .await?;
        Ok(())
    }

    /// Price lists by code.
    ///
    /// # Errors
    /// When the database fails.
    #[tracing::instrument(level = "debug", name = "store.selling.price_lists", skip_all, fields(farm_id = self.farm.0))]
    pub async fn price_lists(&mut self, page: &Pagination) -> Result<Vec<PriceList>> {
        Ok(sqlx::query_as!(
            PriceList,
            r#"select price_list as "price_list: _", name as "name: _" from price_list
                where farm_id = $1 and ($2::text is null or price_list > $2) order by price_list limit $3"#,
            self.farm.0,
            page.after,
            page.limit
        )
        .fetch_all(&mut *self.db)
        .await?)
    }

    /// Sets a price from now or a later day on. Prices that were in force stay.
    ///
    /// # Errors
    /// Refuses an unknown list or product, a price a pack for what is loose, and a second price at one instant.
    #[tracing::instrument(level = "debug", name = "store.selling.set_price", skip_all, fields(farm_id = self.farm.0))]
    pub async fn set_price(&mut self, new: &Price) -> Result<()> {
        ensure_unit_price(new.amount, "/amount")?;
        ensure_range(new.amount, Decimal::ZERO, Decimal::from(100_000), "/amount", "A price")?;
        let product = self.product(&new.product).await.or_missing(|| {
            Refusal::field("/product", format!("There is no product {} on this farm. Check the code.", new.product))
        })?;
        if new.unit == PriceUnit::Pack && product.pack_g.is_none() {
            return Err(
                Refusal::field("/unit", format!("{} is sold loose. Give its price a kilogram.", new.product)).into()
            );
        }
        sqlx::query!(
            "insert into price (farm_id, price_list, product, effective_from, amount, unit) values ($1, $2, $3, $4, $5, $6)",
            self.farm.0,
            new.price_list.as_str(),
            new.product.as_str(),
            new.effective_from.map_or(self.now, |i| i.0),
            new.amount,
            new.unit.as_str()
        )
        .execute(&mut *self.db)
        .await?;
        Ok(())
    }

    /// Prices in force, by list and product.
    ///
    /// # Errors
    /// When the database fails.
    #[tracing::instrument(level = "debug", name = "store.selling.prices", skip_all, fields(farm_id = self.farm.0))]
    pub async fn prices(&mut self) -> Result<Vec<Price>> {
        self.prices_where(false).await
    }

    /// Prices that begin later, the next first.
    ///
    /// # Errors
    /// When the database fails.
    #[tracing::instrument(level = "debug", name = "store.selling.coming_prices", skip_all, fields(farm_id = self.farm.0))]
    pub async fn coming_prices(&mut self) -> Result<Vec<Price>> {
        self.prices_where(true).await
    }

    async fn prices_where(&mut self, coming: bool) -> Result<Vec<Price>> {
        let rows = sqlx::query!(
            r#"select p.price_list as "price_list: PriceListCode", p.product as "product: ProductCode", p.amount, p.unit as "unit: PriceUnit",
                      p.effective_from
                 from price p
                where p.farm_id = $1
                  and case when $3 then p.effective_from > $2
                      else p.effective_from = (select max(o.effective_from) from price o
                                                where o.farm_id = $1 and o.price_list = p.price_list and o.product = p.product
                                                  and o.effective_from <= $2) end
                order by case when $3 then p.effective_from end, p.price_list, p.product limit 5000"#,
            self.farm.0,
            self.now,
            coming
        )
        .fetch_all(&mut *self.db)
        .await?;
        Ok(rows
            .into_iter()
            .map(|r| Price {
                price_list: r.price_list,
                product: r.product,
                amount: r.amount.normalize(),
                unit: r.unit,
                effective_from: Some(Instant(r.effective_from)),
            })
            .collect())
    }
}
