//! Recipes of substrate: what is in a block and what it costs.

use crate::{Pagination, Result, Tx, ranges::ensure_range};
use gillbook_core::{
    refusal::FieldErrors,
    text::{Line, RecipeCode, Text},
    units::money::ensure_unit_price,
};
use rust_decimal::Decimal;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

/// An ingredient of a recipe, in one block.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct Ingredient {
    /// What.
    pub name: Text<1, 100>,
    /// Wet grams in one block.
    #[schema(minimum = 1, maximum = 100_000)]
    pub wet_g: i32,
    /// Share of it that is dry.
    #[serde(with = "rust_decimal::serde::float")]
    #[schema(value_type = f64, minimum = 0, maximum = 1)]
    pub dry_share: Decimal,
    /// Price a kilogram, in the farm's currency.
    #[schema(value_type = String, pattern = r"^\d{1,6}(\.\d{1,4})?$")]
    pub price_per_kg: Decimal,
}

/// A substrate recipe.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct Recipe {
    /// Code.
    pub recipe: RecipeCode,
    /// Name.
    pub name: Line,
    /// Wet grams of a block.
    #[schema(minimum = 1, maximum = 100_000)]
    pub block_wet_g: i32,
    /// Dry grams of a block.
    #[schema(minimum = 1, maximum = 100_000)]
    pub block_dry_g: i32,
    /// Cost of one block, bag and stated labour and energy included, in the farm's currency.
    #[schema(value_type = String, pattern = r"^\d{1,6}(\.\d{1,4})?$")]
    pub block_cost: Decimal,
    /// What is in it.
    #[serde(default)]
    #[schema(max_items = 40)]
    pub ingredients: Vec<Ingredient>,
}

impl Tx {
    /// Adds a recipe. A recipe is a record: a changed one is a new one.
    ///
    /// # Errors
    /// Refuses a taken code and figures that cannot be.
    #[tracing::instrument(level = "debug", name = "store.growing.add_recipe", skip_all, fields(farm_id = self.farm.0))]
    pub async fn add_recipe(&mut self, new: &Recipe) -> Result<()> {
        let mut faults = FieldErrors::default();
        faults.check(
            new.block_dry_g <= new.block_wet_g,
            "/block_dry_g",
            "A block holds no more dry substrate than it weighs. Check the two weights.",
        );
        faults.check(new.ingredients.len() <= 40, "/ingredients", "A recipe has at most 40 ingredients.");
        faults.done()?;
        ensure_unit_price(new.block_cost, "/block_cost")?;
        ensure_range(new.block_cost, Decimal::ZERO, Decimal::from(1_000_000), "/block_cost", "The cost of a block")?;
        for (i, ingredient) in new.ingredients.iter().enumerate() {
            let at = |field: &str| format!("/ingredients/{i}/{field}");
            ensure_range(ingredient.dry_share, Decimal::ZERO, Decimal::ONE, &at("dry_share"), "The dry share")?;
            ensure_unit_price(ingredient.price_per_kg, &at("price_per_kg"))?;
            ensure_range(
                ingredient.price_per_kg,
                Decimal::ZERO,
                Decimal::from(100_000),
                &at("price_per_kg"),
                "The price per kilogram",
            )?;
        }
        sqlx::query!(
            "insert into recipe (farm_id, recipe, name, block_wet_g, block_dry_g, block_cost) values ($1, $2, $3, $4, $5, $6)",
            self.farm.0,
            new.recipe.as_str(),
            new.name.as_str(),
            new.block_wet_g,
            new.block_dry_g,
            new.block_cost
        )
        .execute(&mut *self.db)
        .await?;
        for (position, i) in (1..).zip(&new.ingredients) {
            sqlx::query!(
                "insert into recipe_ingredient (farm_id, recipe, position, name, wet_g, dry_share, price_per_kg) values ($1, $2, $3, $4, $5, $6, $7)",
                self.farm.0,
                new.recipe.as_str(),
                position,
                i.name.as_str(),
                i.wet_g,
                i.dry_share,
                i.price_per_kg
            )
            .execute(&mut *self.db)
            .await?;
        }
        Ok(())
    }

    /// Recipes by code.
    ///
    /// # Errors
    /// When the database fails.
    #[tracing::instrument(level = "debug", name = "store.growing.recipes", skip_all, fields(farm_id = self.farm.0))]
    pub async fn recipes(&mut self, page: &Pagination) -> Result<Vec<Recipe>> {
        let rows = sqlx::query!(
            r#"select recipe as "recipe: RecipeCode", name as "name: Line", block_wet_g, block_dry_g, block_cost
                 from recipe where farm_id = $1 and ($2::text is null or recipe > $2) order by recipe limit $3"#,
            self.farm.0,
            page.after,
            page.limit
        )
        .fetch_all(&mut *self.db)
        .await?;
        let ingredients = sqlx::query!(
            r#"select recipe as "recipe: RecipeCode", name as "name: Text<1, 100>", wet_g, dry_share, price_per_kg
                 from recipe_ingredient where farm_id = $1 order by recipe, position"#,
            self.farm.0
        )
        .fetch_all(&mut *self.db)
        .await?;
        Ok(rows
            .into_iter()
            .map(|r| Recipe {
                ingredients: ingredients
                    .iter()
                    .filter(|i| i.recipe == r.recipe)
                    .map(|i| Ingredient {
                        name: i.name.clone(),
                        wet_g: i.wet_g,
                        dry_share: i.dry_share,
                        price_per_kg: i.price_per_kg,
                    })
                    .collect(),
                recipe: r.recipe,
                name: r.name,
                block_wet_g: r.block_wet_g,
                block_dry_g: r.block_dry_g,
                block_cost: r.block_cost,
            })
            .collect())
    }
}
