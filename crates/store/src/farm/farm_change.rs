//! Changes of the farm's settings.

use std::collections::BTreeMap;

use gillbook_core::{
    kinds::PaperSize,
    party::{Country, ElectronicAddress},
    refusal::FieldErrors,
    selling::tax::TaxBy,
    text::{Line, Note, Short, Text, is_email_address},
    units::money::Rounding,
};
use rust_decimal::Decimal;
use serde::Deserialize;
use sqlx::types::Json;
use utoipa::ToSchema;

use super::farms::{BestBeforeRule, Farm, Grade};
use crate::{
    Result, Tx,
    versions::{ensure_version, ensure_version_matches},
};

/// Words that a farm may set.
const SETTABLE_WORDS: [&str; 3] = ["docket", "verifier", "plan"];

/// Changes of a farm's settings. What is left out stays.
#[derive(Debug, Clone, Default, PartialEq, Eq, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct FarmChange {
    /// Its name.
    pub name: Option<Line>,
    /// Its address.
    pub address: Option<Note>,
    /// The number under which it is registered as a food business; empty where there is none.
    pub registration: Option<Text<0, 60>>,
    /// Its telephone, as dockets print it.
    pub telephone: Option<Text<0, 40>>,
    /// Where answers to its e-mails go; empty where they go to the service's own address.
    pub email: Option<Text<0, 254>>,
    /// How goods are kept, in its own words, as dockets print it.
    pub storage_line: Option<Text<0, 200>>,
    /// What tax is called.
    pub tax_name: Option<Short>,
    /// How halves of a cent are rounded.
    pub rounding: Option<Rounding>,
    /// The smallest coin that cash totals are rounded to, with no more decimals than the currency has; zero where they are not.
    #[schema(value_type = Option<String>, pattern = r"^\d{1,4}(\.\d{1,4})?$")]
    pub cash_step: Option<Decimal>,
    /// The size of the sheets that documents print on. Invoices that are issued keep theirs.
    pub paper_size: Option<PaperSize>,
    /// Whether the tax of an invoice is rounded once for each rate, or line by line. Invoices that are issued keep their tax.
    pub tax_by: Option<TaxBy>,
    /// The number under which it is registered for tax; empty where there is none.
    pub tax_number: Option<Text<0, 60>>,
    /// Why what bears no tax bears none, as invoices print it. Invoices that are issued keep theirs.
    pub exemption_reason: Option<Text<0, 200>>,
    /// Where it is.
    pub country: Option<Country>,
    /// Where invoices are sent to by machines.
    pub electronic_address: Option<ElectronicAddress>,
    /// How it is paid: an account, a name.
    pub payment_details: Option<Note>,
    /// Whether 234 on the phone form means 2.34 kg.
    pub implied_decimals: Option<bool>,
    /// Words that differ by region: `docket`, `verifier`, `plan`.
    pub words: Option<BTreeMap<String, Short>>,
    /// Grades to add or rename. Ranks of grades that are there stay.
    pub grades: Option<Vec<Grade>>,
    /// Best-before rules, from now on. A date that was given before never moves.
    pub best_before: Option<Vec<BestBeforeRule>>,
}

impl Tx {
    /// Changes settings. `read_version` is the version that the change was made from.
    ///
    /// # Errors
    /// Refuses a stale version and what a constraint refuses.
    #[tracing::instrument(level = "debug", name = "store.farm.change_farm", skip_all, fields(farm_id = self.farm.0))]
    pub async fn change_farm(&mut self, change: &FarmChange, read_version: i32) -> Result<Farm> {
        self.memo.settings = None;
        let mut faults = FieldErrors::default();
        for word in change.words.iter().flatten().map(|(w, _)| w) {
            faults.check(
                SETTABLE_WORDS.contains(&word.as_str()),
                format!("/words/{word}"),
                format!("Only these words can be set: {}.", SETTABLE_WORDS.join(", ")),
            );
        }
        let may_be = |email: &Text<0, 254>| email.as_str().is_empty() || is_email_address(email.as_str());
        faults.check(
            change.email.as_ref().is_none_or(may_be),
            "/email",
            "This is not an e-mail address. Type one such as farm@example.org.",
        );
        faults.done()?;
        if *change == FarmChange::default() {
            let farm = self.farm().await?;
            ensure_version(farm.version, read_version)?;
            return Ok(farm);
        }
        if let Some(rounding) = change.rounding {
            self.ensure_rounding_stays(rounding).await?;
        }
        if let Some(step) = change.cash_step {
            self.ensure_cash_step_may_change(step).await?;
        }
        let words = change.words.as_ref().map(Json);
        let done = sqlx::query!(
            "update farm set name = coalesce($3, name), address = coalesce($4, address), tax_name = coalesce($5, tax_name),
                    rounding = coalesce($6, rounding), implied_decimals = coalesce($7, implied_decimals),
                    words = words || coalesce($8, '{}'::jsonb), registration = coalesce($9, registration),
                    tax_by = coalesce($10, tax_by), tax_number = coalesce($11, tax_number), payment_details = coalesce($12, payment_details),
                    telephone = coalesce($13, telephone), storage_line = coalesce($14, storage_line), cash_step = coalesce($15, cash_step),
                    paper_size = coalesce($16, paper_size), exemption_reason = coalesce($17, exemption_reason), country = coalesce($18, country),
                    electronic_address = coalesce($19, electronic_address), email = coalesce($20, email), version = version + 1
              where farm_id = $1 and version = $2",
            self.farm.0,
            read_version,
            change.name.as_ref().map(Line::as_str),
            change.address.as_ref().map(Note::as_str),
            change.tax_name.as_ref().map(Short::as_str),
            change.rounding.map(Rounding::as_str),
            change.implied_decimals,
            words as _,
            change.registration.as_ref().map(Text::as_str),
            change.tax_by.map(TaxBy::as_str),
            change.tax_number.as_ref().map(Text::as_str),
            change.payment_details.as_ref().map(Note::as_str),
            change.telephone.as_ref().map(Text::as_str),
            change.storage_line.as_ref().map(Text::as_str),
            change.cash_step,
            change.paper_size.map(PaperSize::as_str),
            change.exemption_reason.as_ref().map(Text::as_str),
            change.country.as_ref().map(Country::as_str),
            change.electronic_address.as_ref().map(ElectronicAddress::as_str),
            change.email.as_ref().map(Text::as_str)
        )
        .execute(&mut *self.db)
        .await?;
        ensure_version_matches(done.rows_affected())?;
        self.add_grades_and_rules(change).await?;
        self.farm().await
    }

    async fn add_grades_and_rules(&mut self, change: &FarmChange) -> Result<()> {
        for g in change.grades.iter().flatten() {
            sqlx::query!(
                "insert into grade (farm_id, grade, rank, name, published_class) values ($1, $2, $3, $4, $5)
                 on conflict (farm_id, grade) do update set name = excluded.name, published_class = excluded.published_class",
                self.farm.0,
                g.grade.as_str(),
                g.rank,
                g.name.as_str(),
                g.published_class.as_ref().map(Short::as_str)
            )
            .execute(&mut *self.db)
            .await?;
        }
        for b in change.best_before.iter().flatten() {
            sqlx::query!(
                "insert into best_before_rule (farm_id, product, packaging, effective_from, days) values ($1, $2, $3, $4, $5)",
                self.farm.0,
                b.product.as_str(),
                b.packaging.as_str(),
                self.now,
                b.days
            )
            .execute(&mut *self.db)
            .await?;
        }
        Ok(())
    }
}
