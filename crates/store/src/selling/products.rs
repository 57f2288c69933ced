//! Products, price lists and prices.

use std::collections::BTreeMap;

use gillbook_core::{
    Grams,
    kinds::{Form, Packaging, PriceUnit},
    refusal::{FieldErrors, Refusal},
    selling::{
        gtin::Gtin,
        pricing::{ListPrice, ensure_floor, ensure_price},
        product::{NewPrice, NewProduct, Price, PriceList, Product, ProductChange},
    },
    text::{GradeCode, Line, PriceListCode, ProductCode, StrainCode},
    units::calendar::Instant,
};
use rust_decimal::Decimal;

use crate::{
    Pagination, Result, Tx,
    error::OrMissing,
    ranges::ensure_range,
    versions::{ensure_version, ensure_version_matches},
};

/// A stall's price, of the columns of an outer join: all there, or none. It is the one that lines of any weight have.
pub(super) fn listed(
    amount: Option<Decimal>,
    unit: Option<PriceUnit>,
    tax_included: Option<bool>,
) -> Option<ListPrice> {
    Some(ListPrice { from_g: Grams::ZERO, amount: amount?, unit: unit?, tax_included: tax_included? })
}

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
        ensure_floor(new.floor_per_kg)?;
        sqlx::query!(
            "insert into product (farm_id, product, name, least_grade, packaging, form, pack_g, tax_percent, gtin, floor_per_kg)
             values ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10)",
            self.farm.0,
            new.product.as_str(),
            new.name.as_str(),
            new.least_grade.as_str(),
            new.packaging.map(Packaging::as_str),
            new.form.unwrap_or(Form::Fresh).as_str(),
            new.pack_g,
            new.tax_percent,
            new.gtin.as_ref().map(Gtin::as_str),
            new.floor_per_kg
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
        ensure_floor(change.floor_per_kg.unwrap_or_default())?;
        let done = sqlx::query!(
            "update product set name = coalesce($4, name), tax_percent = coalesce($5, tax_percent), floor_per_kg = coalesce($6, floor_per_kg), version = version + 1
              where farm_id = $1 and product = $2 and version = $3",
            self.farm.0,
            code.as_str(),
            read_version,
            change.name.as_ref().map(Line::as_str),
            change.tax_percent,
            change.floor_per_kg
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
                      p.form as "form: Form", p.pack_g, p.tax_percent, p.gtin as "gtin: Gtin", p.floor_per_kg, p.version,
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
                floor_per_kg: Some(r.floor_per_kg.normalize()),
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
            "insert into price_list (farm_id, price_list, name, tax_included) values ($1, $2, $3, $4)",
            self.farm.0,
            new.price_list.as_str(),
            new.name.as_str(),
            new.tax_included
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
            r#"select price_list as "price_list: _", name as "name: _", tax_included from price_list
                where farm_id = $1 and ($2::text is null or price_list > $2) order by price_list limit $3"#,
            self.farm.0,
            page.after,
            page.limit
        )
        .fetch_all(&mut *self.db)
        .await?)
    }

    /// Whether the prices of a list have tax in them.
    async fn has_tax(&mut self, list: &PriceListCode) -> Result<bool> {
        let has_tax = sqlx::query_scalar!(
            "select tax_included from price_list where farm_id = $1 and price_list = $2",
            self.farm.0,
            list.as_str()
        )
        .fetch_optional(&mut *self.db)
        .await?;
        let unknown =
            || Refusal::field("/price_list", format!("There is no price list {list} on this farm. Check the code."));
        has_tax.ok_or_else(|| unknown().into())
    }

    /// Sets a price from an instant on, or takes the product off the list. Prices that were in force stay.
    ///
    /// # Errors
    /// Refuses an unknown list or product, a price a pack for what is loose, one that is too low unless meant, and a second price at one instant.
    #[tracing::instrument(level = "debug", name = "store.selling.set_price", skip_all, fields(farm_id = self.farm.0))]
    pub async fn set_price(&mut self, new: &NewPrice) -> Result<Price> {
        let tax_included = self.has_tax(&new.price_list).await?;
        let product = self.product(&new.product).await.or_missing(|| {
            Refusal::field("/product", format!("There is no product {} on this farm. Check the code.", new.product))
        })?;
        ensure_price(new, &product, tax_included)?;
        let effective_from = new.effective_from.unwrap_or(Instant(self.now));
        sqlx::query!(
            "insert into price (farm_id, price_list, product, from_grams, effective_from, amount, unit) values ($1, $2, $3, $4, $5, $6, $7)",
            self.farm.0,
            new.price_list.as_str(),
            new.product.as_str(),
            new.from_g.0,
            effective_from.0,
            new.amount,
            new.unit.as_str()
        )
        .execute(&mut *self.db)
        .await?;
        Ok(Price {
            price_list: new.price_list.clone(),
            product: new.product.clone(),
            from_g: new.from_g,
            amount: new.amount.map(|amount| amount.normalize()),
            unit: new.unit,
            tax_included,
            effective_from,
        })
    }

    /// Prices in force, by list and product.
    ///
    /// # Errors
    /// When the database fails.
    #[tracing::instrument(level = "debug", name = "store.selling.prices", skip_all, fields(farm_id = self.farm.0))]
    pub async fn prices(&mut self) -> Result<Vec<Price>> {
        self.prices_where(false, None).await
    }

    /// Prices that begin later, the next first.
    ///
    /// # Errors
    /// When the database fails.
    #[tracing::instrument(level = "debug", name = "store.selling.coming_prices", skip_all, fields(farm_id = self.farm.0))]
    pub async fn coming_prices(&mut self) -> Result<Vec<Price>> {
        self.prices_where(true, None).await
    }

    /// The prices of a list in force, and those that begin later.
    pub(crate) async fn prices_of(&mut self, list: &PriceListCode) -> Result<Vec<Price>> {
        let mut prices = self.prices_where(false, Some(list)).await?;
        prices.extend(self.prices_where(true, Some(list)).await?);
        Ok(prices)
    }

    async fn prices_where(&mut self, coming: bool, of: Option<&PriceListCode>) -> Result<Vec<Price>> {
        let rows = sqlx::query!(
            r#"select price_list as "price_list!: PriceListCode", product as "product!: ProductCode", from_grams as "from_grams!: Grams", amount,
                      unit as "unit!: PriceUnit", tax_included as "tax_included!", effective_from as "effective_from!"
                 from (select l.price_list, p.product, p.from_grams, p.amount, p.unit, l.tax_included, p.effective_from
                         from price_list l cross join lateral prices_in_force($1, l.price_list, $2) p
                        where l.farm_id = $1 and not $3 and ($4::text is null or l.price_list = $4)
                       union all
                       select l.price_list, p.product, p.from_grams, p.amount, p.unit, l.tax_included, p.effective_from
                         from price_list l join price p using (farm_id, price_list)
                        where l.farm_id = $1 and $3 and p.effective_from > $2 and ($4::text is null or l.price_list = $4)) p
                order by case when $3 then effective_from end, price_list, product, from_grams limit 5000"#,
            self.farm.0,
            self.now,
            coming,
            of.map(PriceListCode::as_str)
        )
        .fetch_all(&mut *self.db)
        .await?;
        Ok(rows
            .into_iter()
            .map(|r| Price {
                price_list: r.price_list,
                product: r.product,
                from_g: r.from_grams,
                amount: r.amount.map(|amount| amount.normalize()),
                unit: r.unit,
                tax_included: r.tax_included,
                effective_from: Instant(r.effective_from),
            })
            .collect())
    }
}
