//! The farm and its settings.

use std::collections::BTreeMap;

use chrono_tz::Tz;
use gillbook_core::{
    kinds::{Packaging, PaperSize},
    ledger::entry::BUILT_IN_PLACES,
    party::{Country, ElectronicAddress},
    refusal::{Refusal, RefusalKind},
    selling::tax::TaxBy,
    text::{GradeCode, Line, ProductCode, Short},
    units::money::{CurrencyRules, Rounding},
};
use rust_decimal::Decimal;
use serde::{Deserialize, Serialize};
use sqlx::types::Json;
use utoipa::ToSchema;

use crate::{
    Actor, Error, FarmId, Result, Store, Tx,
    farm::{people::NewPerson, settings::settings_of},
    transaction,
};

/// A grade of the farm's own ranked list.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct Grade {
    /// Code.
    pub grade: GradeCode,
    /// 1 is the best.
    #[schema(minimum = 1, maximum = 9)]
    pub rank: i32,
    /// In plain words.
    pub name: Line,
    /// The class of a published standard that it stands for, where one covers the species.
    #[serde(default)]
    pub published_class: Option<Short>,
}

/// Days from harvest to best before.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct BestBeforeRule {
    /// The product.
    pub product: ProductCode,
    /// Its packaging.
    pub packaging: Packaging,
    /// Days from the harvest day.
    #[schema(minimum = 0, maximum = 1000)]
    pub days: i32,
}

/// The farm and its settings.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct Farm {
    /// Its number.
    pub farm_id: FarmId,
    /// Its name.
    pub name: String,
    /// Its address, as documents print it.
    pub address: String,
    /// The number under which it is registered as a food business, as documents print it; empty where there is none.
    pub registration: String,
    /// Its telephone, as dockets print it.
    pub telephone: String,
    /// Where answers to its e-mails go; empty where there is no such address.
    pub email: String,
    /// How goods are kept, in its own words, as dockets print it.
    pub storage_line: String,
    /// ISO 4217 letters.
    pub currency: String,
    /// IANA time zone.
    pub zone: String,
    /// What tax is called on documents.
    pub tax_name: String,
    /// How halves of a cent are rounded.
    pub rounding: Rounding,
    /// The smallest coin that cash totals are rounded to; zero where they are not.
    #[schema(value_type = String)]
    pub cash_step: Decimal,
    /// Whether the tax of an invoice is rounded once for each rate, or line by line.
    pub tax_by: TaxBy,
    /// The number under which it is registered for tax, as invoices print it; empty where there is none.
    pub tax_number: String,
    /// Why what bears no tax bears none, as invoices print it; empty where that is not said.
    pub exemption_reason: String,
    /// Where it is.
    pub country: Country,
    /// Where invoices are sent to by machines.
    pub electronic_address: ElectronicAddress,
    /// How it is paid, as invoices print it: an account, a name.
    pub payment_details: String,
    /// Whether 234 on the phone form means 2.34 kg.
    pub implied_decimals: bool,
    /// The size of the sheets that documents print on.
    pub paper_size: PaperSize,
    /// Words that differ by region: `docket`, `verifier`, `plan`.
    pub words: BTreeMap<String, String>,
    /// Ranked grades.
    pub grades: Vec<Grade>,
    /// Best-before rules in force.
    pub best_before: Vec<BestBeforeRule>,
    /// Goes up with every change.
    pub version: i32,
}

impl Farm {
    /// The farm's own word for something, or the trade's.
    #[must_use]
    pub fn word<'a>(&'a self, word: &'a str) -> &'a str {
        self.words.get(word).map_or(word, String::as_str)
    }

    /// Whether an invoice can say where the farm is and how it is paid.
    #[must_use]
    pub fn is_ready_for_invoices(&self) -> bool {
        !self.address.is_empty() && !self.payment_details.is_empty()
    }

    /// What documents print under the farm's name: address and registration.
    #[must_use]
    pub fn letterhead(&self) -> String {
        if self.registration.is_empty() {
            return self.address.clone();
        }
        [self.address.as_str(), &format!("Registration {}", self.registration)].join("\n").trim_start().to_owned()
    }
}

/// A farm to be opened.
#[derive(Debug, Clone)]
pub struct NewFarm {
    /// Its name.
    pub name: Line,
    /// IANA time zone. Fixed once there is stock.
    pub zone: Tz,
    /// ISO 4217 letters.
    pub currency: String,
    /// Its first person, an owner.
    pub owner: NewPerson,
}

/// The three grades that a farm begins with, in plain words.
const FIRST_GRADES: [(&str, i32, &str); 3] = [("A", 1, "Best"), ("B", 2, "Good"), ("C", 3, "For cooking")];

impl Store {
    /// Whether there is a farm that somebody can sign in to.
    ///
    /// # Errors
    /// When the database fails.
    #[tracing::instrument(level = "debug", name = "store.farm.has_farm", skip_all)]
    pub async fn has_farm(&self) -> Result<bool> {
        Ok(!self.farms_with_people().await?.is_empty())
    }

    /// Opens a farm with its built-in places, three grades and an owner. Returns its number.
    ///
    /// # Errors
    /// Refuses a currency without a minor unit and a taken sign-in name.
    #[tracing::instrument(level = "debug", name = "store.farm.open_farm", skip_all)]
    pub async fn open_farm(&self, farm: &NewFarm, now: chrono::DateTime<chrono::Utc>) -> Result<FarmId> {
        if CurrencyRules::new(&farm.currency, Rounding::HalfUp).is_none() {
            return Err(Refusal::field("/currency", "The currency is three letters of ISO 4217, such as EUR.").into());
        }
        let number = sqlx::query_scalar!(r#"select nextval('farm_number')::int as "n!""#).fetch_one(&self.pool).await?;
        let id = FarmId(number);
        let signed = Actor::program(id, "opening");
        transaction!(write, self, &signed, now, |tx| {
            sqlx::query!(
                "insert into farm (farm_id, name, currency, zone, opened_at) values ($1, $2, $3, $4, $5)",
                id.0,
                farm.name.as_str(),
                farm.currency,
                farm.zone.name(),
                tx.now
            )
            .execute(&mut *tx.db)
            .await?;
            for (grade, rank, name) in FIRST_GRADES {
                sqlx::query!(
                    "insert into grade (farm_id, grade, rank, name) values ($1, $2, $3, $4)",
                    id.0,
                    grade,
                    rank,
                    name
                )
                .execute(&mut *tx.db)
                .await?;
            }
            for (kind, place, name) in BUILT_IN_PLACES {
                sqlx::query!(
                    "insert into place (farm_id, place, name, kind) values ($1, $2, $3, $4)",
                    id.0,
                    place,
                    name,
                    kind.as_str()
                )
                .execute(&mut *tx.db)
                .await?;
            }
            tx.add_person(&farm.owner).await.map_err(|error| match error {
                Error::Refused(refusal) => Error::Refused(refusal.within("/owner")),
                other => other,
            })?;
            Ok(())
        })?;
        Ok(id)
    }
}

impl Tx {
    /// The farm and its settings.
    ///
    /// # Errors
    /// When the database fails.
    #[tracing::instrument(level = "debug", name = "store.farm.farm", skip_all, fields(farm_id = self.farm.0))]
    pub async fn farm(&mut self) -> Result<Farm> {
        if let Some(farm) = &self.memo.farm {
            return Ok(farm.clone());
        }
        let f = sqlx::query!(
            r#"select name, address, registration, telephone, email, storage_line, currency, zone, tax_name, rounding as "rounding: Rounding", cash_step, tax_by as "tax_by: TaxBy", tax_number, exemption_reason, country as "country: Country", electronic_address as "electronic_address: ElectronicAddress", payment_details,
                      implied_decimals, paper_size as "paper_size: PaperSize", words as "words: Json<BTreeMap<String, String>>", version,
                      coalesce((select jsonb_agg(jsonb_build_object('grade', g.grade, 'rank', g.rank, 'name', g.name, 'published_class', g.published_class)
                                                 order by g.rank)
                                  from grade g where g.farm_id = $1), '[]') as "grades!: Json<Vec<Grade>>",
                      coalesce((select jsonb_agg(jsonb_build_object('product', b.product, 'packaging', b.packaging, 'days', b.days)
                                                 order by b.product, b.packaging)
                                  from (select distinct on (product, packaging) product, packaging, days
                                          from best_before_rule where farm_id = $1 and effective_from <= $2
                                         order by product, packaging, effective_from desc) b), '[]') as "best_before!: Json<Vec<BestBeforeRule>>"
                 from farm where farm_id = $1"#,
            self.farm.0,
            self.now
        )
        .fetch_optional(&mut *self.db)
        .await?
        .ok_or_else(|| Refusal::new(RefusalKind::NotFound, "There is no such farm."))?;
        self.memo.settings = Some(settings_of(&f.zone, &f.currency, f.rounding, f.cash_step)?);
        let farm = Farm {
            farm_id: self.farm,
            name: f.name,
            address: f.address,
            registration: f.registration,
            telephone: f.telephone,
            email: f.email,
            storage_line: f.storage_line,
            currency: f.currency,
            zone: f.zone,
            tax_name: f.tax_name,
            rounding: f.rounding,
            cash_step: f.cash_step.normalize(),
            tax_by: f.tax_by,
            tax_number: f.tax_number,
            exemption_reason: f.exemption_reason,
            country: f.country,
            electronic_address: f.electronic_address,
            payment_details: f.payment_details,
            implied_decimals: f.implied_decimals,
            paper_size: f.paper_size,
            words: f.words.0,
            grades: f.grades.0,
            best_before: f.best_before.0,
            version: f.version,
        };
        if self.memo.one_snapshot {
            self.memo.farm = Some(farm.clone());
        }
        Ok(farm)
    }
}

/// Numbers and names of every farm, for the role that reads them all.
///
/// # Errors
/// When the database fails.
pub async fn farms(options: &sqlx::postgres::PgConnectOptions) -> Result<Vec<(i32, String)>> {
    use sqlx::Connection;
    let mut db = sqlx::PgConnection::connect_with(options).await?;
    let rows = sqlx::query!("select farm_id, name from farm order by farm_id").fetch_all(&mut db).await?;
    db.close().await?;
    Ok(rows.into_iter().map(|r| (r.farm_id, r.name)).collect())
}
