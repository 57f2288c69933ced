//! People, and the passphrases that they sign in with.

use argon2::{Argon2, PasswordHasher};
use chrono::{DateTime, Utc};
use gillbook_core::{
    kinds::Role,
    limits::{MAX_HASHES, MAX_HASHES_WAITING},
    refusal::{Refusal, RefusalKind},
    text::{Line, Text},
};
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;
use uuid::Uuid;

use crate::{Error, Result, Tx, bounded::BoundedWork};

/// A name to sign in with: lower case, without spaces.
pub type SignInName = Text<2, 100>;

/// A person who works on the farm or looks at its books.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct Person {
    /// Id.
    pub person_id: Uuid,
    /// Name.
    pub name: String,
    /// Initials, as acts show them.
    pub initials: String,
    /// What they may do.
    pub role: Role,
    /// Since when.
    pub added_at: DateTime<Utc>,
    /// Until when.
    pub removed_at: Option<DateTime<Utc>>,
}

/// A person to be added.
#[derive(Debug, Clone, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct NewPerson {
    /// Name.
    pub name: Line,
    /// One to four capital letters, and a digit if need be.
    #[schema(value_type = String, pattern = "^[A-Z]{1,4}[0-9]?$")]
    pub initials: Text<1, 5>,
    /// What they may do.
    pub role: Role,
    /// The name they sign in with, the same on no other farm.
    pub sign_in_name: SignInName,
    /// At least twelve characters.
    pub passphrase: Passphrase,
}

/// A passphrase, never shown.
#[derive(Clone, Deserialize, ToSchema)]
#[schema(value_type = String, format = Password, min_length = 12, max_length = 200)]
pub struct Passphrase(pub(super) String);

impl Passphrase {
    /// Takes a passphrase as typed.
    #[must_use]
    pub fn new(typed: &str) -> Self {
        Self(typed.to_owned())
    }
}

impl std::fmt::Debug for Passphrase {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str("Passphrase(…)")
    }
}

fn hash_passphrase(passphrase: &Passphrase) -> Result<String> {
    if !(12..=200).contains(&passphrase.0.chars().count()) {
        return Err(Refusal::field("/passphrase", "A passphrase has 12 to 200 characters. Four words do well.").into());
    }
    Ok(Argon2::default()
        .hash_password(passphrase.0.as_bytes())
        .map_err(|e| Error::Stored(format!("hashing a passphrase: {e}")))?
        .to_string())
}

/// Hashing takes 19 MiB each time, also for somebody who is not there.
pub(super) static HASHING: BoundedWork = BoundedWork::new(MAX_HASHES, MAX_HASHES_WAITING);

impl Tx {
    /// Adds a person.
    ///
    /// # Errors
    /// Refuses taken initials, a taken sign-in name, a short passphrase.
    #[tracing::instrument(level = "debug", name = "store.farm.add_person", skip_all, fields(farm_id = self.farm.0))]
    pub async fn add_person(&mut self, new: &NewPerson) -> Result<Person> {
        let passphrase = new.passphrase.clone();
        let hash = HASHING.run(move || hash_passphrase(&passphrase)).await??;
        let person_id = self.new_id();
        sqlx::query!(
            "insert into person (farm_id, person_id, name, initials, role, passphrase_hash, added_at) values ($1, $2, $3, $4, $5, $6, $7)",
            self.farm.0,
            person_id,
            new.name.as_str(),
            new.initials.as_str(),
            new.role.as_str(),
            hash,
            self.now
        )
        .execute(&mut *self.db)
        .await?;
        sqlx::query!(
            "insert into sign_in_name (sign_in_name, farm_id, person_id) values ($1, $2, $3)",
            new.sign_in_name.as_str().to_lowercase(),
            self.farm.0,
            person_id
        )
        .execute(&mut *self.db)
        .await?;
        Ok(Person {
            person_id,
            name: new.name.to_string(),
            initials: new.initials.to_string(),
            role: new.role,
            added_at: self.now,
            removed_at: None,
        })
    }

    /// Everybody, in the order they were added.
    ///
    /// # Errors
    /// When the database fails.
    #[tracing::instrument(level = "debug", name = "store.farm.people", skip_all, fields(farm_id = self.farm.0))]
    pub async fn people(&mut self) -> Result<Vec<Person>> {
        Ok(sqlx::query_as!(
            Person,
            r#"select person_id, name, initials, role as "role: _", added_at, removed_at from person
                where farm_id = $1 order by added_at, initials limit 500"#,
            self.farm.0
        )
        .fetch_all(&mut *self.db)
        .await?)
    }

    /// Removes a person: they can no longer sign in, and their name stays on what they did.
    ///
    /// # Errors
    /// Refuses the last owner.
    #[tracing::instrument(level = "debug", name = "store.farm.remove_person", skip_all, fields(farm_id = self.farm.0))]
    pub async fn remove_person(&mut self, person_id: Uuid) -> Result<()> {
        // Locks the owners, so that two of them cannot remove each other at once.
        let owners = sqlx::query_scalar!(
            "select person_id from person where farm_id = $1 and role = 'owner' and removed_at is null order by person_id for update",
            self.farm.0
        )
        .fetch_all(&mut *self.db)
        .await?;
        if owners == [person_id] {
            return Err(
                Refusal::new(RefusalKind::Closed, "This is the farm's last owner. Add another owner first.").into()
            );
        }
        let done = sqlx::query!(
            "update person set removed_at = $3 where farm_id = $1 and person_id = $2 and removed_at is null",
            self.farm.0,
            person_id,
            self.now
        )
        .execute(&mut *self.db)
        .await?;
        if done.rows_affected() == 0 {
            return Err(Refusal::not_found("person", person_id).into());
        }
        sqlx::query!("delete from sign_in where farm_id = $1 and person_id = $2", self.farm.0, person_id)
            .execute(&mut *self.db)
            .await?;
        sqlx::query!("delete from device where farm_id = $1 and person_id = $2", self.farm.0, person_id)
            .execute(&mut *self.db)
            .await?;
        sqlx::query!("delete from sign_in_name where farm_id = $1 and person_id = $2", self.farm.0, person_id)
            .execute(&mut *self.db)
            .await?;
        Ok(())
    }
}
