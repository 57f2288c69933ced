//! People, their sign-ins, and tokens for machines.

use std::sync::{Arc, atomic::Ordering};

use argon2::{Argon2, PasswordHasher, PasswordVerifier};
use base64::{Engine, engine::general_purpose::URL_SAFE_NO_PAD};
use chrono::{DateTime, TimeDelta, Utc};
use gillbook_core::{
    limits::{MAX_HASHES, MAX_HASHES_WAITING},
    refusal::{Kind, Refusal},
    text::{Line, Text},
    words::{Role, Scope},
};
use serde::{Deserialize, Serialize};
use sha2::{Digest, Sha256};
use utoipa::ToSchema;
use uuid::Uuid;

use crate::secret::random_bytes;
use crate::{Error, FarmId, Result, Signed, SignedWith, Store, TOKEN_CACHE_TTL, Tx, bounded::BoundedWork, transact};

/// How long a sign-in lasts.
const SIGN_IN_DAYS: i64 = 30;
/// How long a browser is known again by which somebody signed in.
const DEVICE_DAYS: i64 = 365;
/// Browsers that are known of one person.
const MAX_DEVICES: i64 = 20;
/// How long a token lasts, unless said.
const TOKEN_DAYS: i64 = 365;

/// A name to sign in with: lower case, without spaces.
pub type SignInName = Text<2, 100>;

/// A person who works on the farm or looks at its books.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, ToSchema)]
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
pub struct Passphrase(String);

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

/// What somebody signed in may do.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Principal {
    /// A person with a role.
    Person(Role),
    /// A token that reads.
    Reader,
    /// A token that posts the readings of one probe.
    Probe(i32),
}

/// Somebody signed in.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Session {
    /// For the store.
    pub signed: Signed,
    /// The name to greet with.
    pub name: String,
    /// What they may do.
    pub standing: Principal,
}

/// A machine's token, without its secret.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, ToSchema)]
pub struct Token {
    /// Id.
    pub token_id: Uuid,
    /// What it is for.
    pub name: String,
    /// What it may do.
    pub scope: Scope,
    /// Whose readings it posts.
    pub probe: Option<String>,
    /// Since when.
    pub made_at: DateTime<Utc>,
    /// Until when.
    pub ends_at: DateTime<Utc>,
    /// Taken back when.
    pub removed_at: Option<DateTime<Utc>>,
}

/// A token to be made.
#[derive(Debug, Clone, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct NewToken {
    /// What it is for.
    pub name: Line,
    /// What it may do.
    pub scope: Scope,
    /// Name of the probe whose readings it posts; only with the scope `readings`.
    pub probe: Option<Text<1, 100>>,
    /// Days that it lasts, a year unless said.
    #[schema(minimum = 1, maximum = 3650)]
    pub days: Option<i64>,
}

/// The same words whichever of the two is wrong.
#[must_use]
pub fn wrong_name_or_passphrase() -> Refusal {
    Refusal::new(Kind::NotSignedIn, "The name or the passphrase is wrong. Try again.")
}

/// A secret that begins with the farm's number: `7.k3J…`. Only its hash is stored.
fn new_secret(farm: FarmId) -> (String, [u8; 32]) {
    let random = random_bytes();
    let secret = format!("{}.{}", farm.0, URL_SAFE_NO_PAD.encode(random));
    let hash = hash_secret(&secret);
    (secret, hash)
}

fn hash_secret(secret: &str) -> [u8; 32] {
    Sha256::digest(secret.as_bytes()).into()
}

/// The farm that a secret belongs to, if it has the shape of one.
fn farm_of(secret: &str) -> Option<FarmId> {
    let (farm, rest) = secret.split_once('.')?;
    (rest.len() == 43).then_some(())?;
    farm.parse().ok().filter(|n| *n > 0).map(FarmId)
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
static HASHING: BoundedWork = BoundedWork::new(MAX_HASHES, MAX_HASHES_WAITING);

/// What a browser keeps of somebody who signed in.
#[derive(Debug)]
pub struct SignInSecrets {
    /// Signs in, until [`SIGN_IN_DAYS`] are over.
    pub session: String,
    /// Lets the browser be known again when the same person signs in.
    pub device: String,
}

impl Store {
    /// Signs somebody in, on a phone of their own or one that several people use. `name` is in lower case.
    ///
    /// # Errors
    /// Refuses a wrong name or passphrase, with the same words and after the same work; busy when too many are signing in.
    #[tracing::instrument(level = "debug", name = "store.farm.sign_in", skip_all)]
    pub async fn sign_in(
        &self,
        name: &str,
        passphrase: Passphrase,
        shared_phone: bool,
        now: DateTime<Utc>,
    ) -> Result<SignInSecrets> {
        let found = sqlx::query!("select farm_id, person_id from sign_in_name where sign_in_name = $1", name)
            .fetch_optional(&self.pool)
            .await?;
        let signed = |farm| Signed::program(farm, "sign-in");
        let hash = match &found {
            Some(f) => transact!(read, self, &signed(FarmId(f.farm_id)), now, |tx| {
                Ok(sqlx::query_scalar!(
                    "select passphrase_hash from person where farm_id = $1 and person_id = $2 and removed_at is null",
                    f.farm_id,
                    f.person_id
                )
                .fetch_optional(&mut *tx.db)
                .await?)
            })?,
            None => None,
        };
        let good = HASHING.run(move || match hash {
            Some(hash) => argon2::PasswordHash::new(&hash)
                .is_ok_and(|h| Argon2::default().verify_password(passphrase.0.as_bytes(), &h).is_ok()),
            // The same work for a name that is not there, so that the time does not tell.
            None => Argon2::default().hash_password(passphrase.0.as_bytes()).is_err(),
        });
        let (true, Some(found)) = (good.await?, found) else {
            return Err(wrong_name_or_passphrase().into());
        };
        let farm = FarmId(found.farm_id);
        let ((session, session_hash), (device, device_hash)) = (new_secret(farm), new_secret(farm));
        transact!(write, self, &signed(farm), now, |tx| {
            tx.keep_session(found.person_id, session_hash, shared_phone).await?;
            tx.keep_device(found.person_id, device_hash).await
        })?;
        Ok(SignInSecrets { session, device })
    }

    /// Whether a browser that holds this secret has signed in with the name before.
    ///
    /// # Errors
    /// When the database fails.
    #[tracing::instrument(level = "debug", name = "store.farm.knows_device", skip_all)]
    pub async fn knows_device(&self, name: &str, secret: &str, now: DateTime<Utc>) -> Result<bool> {
        let Some(farm) = farm_of(secret) else { return Ok(false) };
        let signed = Signed::program(farm, "sign-in");
        transact!(read, self, &signed, now, |tx| {
            Ok(sqlx::query_scalar!(
                r#"select exists (select from device d join sign_in_name n using (farm_id, person_id)
                                   where d.farm_id = $1 and d.secret_hash = $2 and d.seen_at > $3 and n.sign_in_name = $4) as "known!""#,
                farm.0,
                &hash_secret(secret)[..],
                tx.now - TimeDelta::days(DEVICE_DAYS),
                name
            )
            .fetch_one(&mut *tx.db)
            .await?)
        })
    }

    /// Signs out.
    ///
    /// # Errors
    /// When the database fails.
    #[tracing::instrument(level = "debug", name = "store.farm.sign_out", skip_all)]
    pub async fn sign_out(&self, secret: &str, now: DateTime<Utc>) -> Result<()> {
        let Some(farm) = farm_of(secret) else { return Ok(()) };
        let signed = Signed::program(farm, "sign-out");
        transact!(write, self, &signed, now, |tx| {
            sqlx::query!(
                "delete from sign_in where farm_id = $1 and secret_hash = $2",
                farm.0,
                &hash_secret(secret)[..]
            )
            .execute(&mut *tx.db)
            .await?;
            Ok(())
        })
    }

    /// Who holds this cookie or token, if anybody.
    ///
    /// # Errors
    /// When the database fails.
    #[tracing::instrument(level = "debug", name = "store.farm.session", skip_all)]
    pub async fn session(&self, secret: &str, now: DateTime<Utc>) -> Result<Option<Arc<Session>>> {
        let Some(farm) = farm_of(secret) else { return Ok(None) };
        let hash = hash_secret(secret);
        if let Some((session, _)) = self.tokens.get(&hash).filter(|(_, until)| *until > now) {
            return Ok(Some(session));
        }
        // Boxed, so that the many requests that end above do not carry the room for it.
        Box::pin(self.session_of(farm, hash, now)).await
    }

    async fn session_of(&self, farm: FarmId, hash: [u8; 32], now: DateTime<Utc>) -> Result<Option<Arc<Session>>> {
        let signed = Signed::program(farm, "look-up");
        let forgotten = self.tokens_forgotten.load(Ordering::SeqCst);
        let found = transact!(read, self, &signed, now, |tx| {
            let person = sqlx::query!(
                r#"select p.person_id, p.name, p.initials, p.role as "role: Role", s.shared_phone from sign_in s join person p using (farm_id, person_id)
                    where s.farm_id = $1 and s.secret_hash = $2 and s.ends_at > $3 and p.removed_at is null"#,
                farm.0,
                &hash[..],
                tx.now
            )
            .fetch_optional(&mut *tx.db)
            .await?;
            if let Some(p) = person {
                let with = if p.shared_phone { SignedWith::SharedPhone } else { SignedWith::OwnSignIn };
                let signed = Signed { farm, name: p.initials, key: format!("person {}", p.person_id), with };
                return Ok(Some((Session { signed, name: p.name, standing: Principal::Person(p.role) }, tx.now)));
            }
            let token = sqlx::query!(
                r#"select token_id, name, scope as "scope: Scope", probe_id, ends_at from token
                    where farm_id = $1 and secret_hash = $2 and ends_at > $3 and removed_at is null"#,
                farm.0,
                &hash[..],
                tx.now
            )
            .fetch_optional(&mut *tx.db)
            .await?;
            Ok(token.map(|t| {
                (
                    Session {
                        signed: Signed {
                            farm,
                            name: format!("token {}", t.name).chars().take(100).collect(),
                            key: format!("token {}", t.token_id),
                            with: SignedWith::Machine,
                        },
                        name: t.name,
                        standing: match (t.scope, t.probe_id) {
                            (Scope::Readings, Some(probe)) => Principal::Probe(probe),
                            _ => Principal::Reader,
                        },
                    },
                    t.ends_at,
                )
            }))
        })?;
        let Some((session, ends_at)) = found else { return Ok(None) };
        let session = Arc::new(session);
        // One that was looked up while a token was removed may be that one.
        if matches!(session.standing, Principal::Probe(_)) && forgotten == self.tokens_forgotten.load(Ordering::SeqCst)
        {
            self.tokens.insert(hash, (session.clone(), ends_at.min(now + TOKEN_CACHE_TTL)));
        }
        Ok(Some(session))
    }
}

impl Tx {
    async fn keep_session(&mut self, person_id: Uuid, hash: [u8; 32], shared_phone: bool) -> Result<()> {
        sqlx::query!(
            "insert into sign_in (farm_id, secret_hash, person_id, began_at, ends_at, shared_phone) values ($1, $2, $3, $4, $5, $6)",
            self.farm.0,
            &hash[..],
            person_id,
            self.now,
            self.now + TimeDelta::days(SIGN_IN_DAYS),
            shared_phone
        )
        .execute(&mut *self.db)
        .await?;
        sqlx::query!("delete from sign_in where farm_id = $1 and ends_at < $2", self.farm.0, self.now)
            .execute(&mut *self.db)
            .await?;
        Ok(())
    }

    /// Remembers a browser, and forgets the person's others but for the last ones.
    async fn keep_device(&mut self, person_id: Uuid, hash: [u8; 32]) -> Result<()> {
        sqlx::query!(
            "insert into device (farm_id, secret_hash, person_id, seen_at) values ($1, $2, $3, $4)",
            self.farm.0,
            &hash[..],
            person_id,
            self.now
        )
        .execute(&mut *self.db)
        .await?;
        sqlx::query!(
            "delete from device where farm_id = $1 and person_id = $2 and secret_hash not in (
                 select secret_hash from device where farm_id = $1 and person_id = $2 order by seen_at desc, secret_hash limit $3)",
            self.farm.0,
            person_id,
            MAX_DEVICES
        )
        .execute(&mut *self.db)
        .await?;
        Ok(())
    }

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
            return Err(Refusal::new(Kind::Closed, "This is the farm's last owner. Add another owner first.").into());
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

    async fn probe_id(&mut self, name: &str) -> Result<i32> {
        sqlx::query_scalar!("select probe_id from probe where farm_id = $1 and name = $2", self.farm.0, name)
            .fetch_optional(&mut *self.db)
            .await?
            .ok_or_else(|| Refusal::not_found("probe", name).at("/probe").into())
    }

    /// Makes a token. Returns its secret, which is shown this once.
    ///
    /// # Errors
    /// Refuses an unknown probe, and a probe with a scope that has none.
    #[tracing::instrument(level = "debug", name = "store.farm.make_token", skip_all, fields(farm_id = self.farm.0))]
    pub async fn make_token(&mut self, new: &NewToken) -> Result<(Token, String)> {
        let probe_id = match (new.scope, &new.probe) {
            (Scope::Readings, Some(name)) => Some(self.probe_id(name.as_str()).await?),
            (Scope::Readings, None) => {
                return Err(Refusal::field("/probe", "A token that posts readings needs the name of its probe.").into());
            }
            (Scope::Read, Some(_)) => {
                return Err(Refusal::field("/probe", "A token that reads has no probe. Leave it out.").into());
            }
            (Scope::Read, None) => None,
        };
        let days = new.days.unwrap_or(TOKEN_DAYS);
        if !(1..=3650).contains(&days) {
            return Err(Refusal::field("/days", "A token lasts 1 to 3650 days.").into());
        }
        let (secret, hash) = new_secret(self.farm);
        let token = Token {
            token_id: self.new_id(),
            name: new.name.to_string(),
            scope: new.scope,
            probe: new.probe.as_ref().map(ToString::to_string),
            made_at: self.now,
            ends_at: self.now + TimeDelta::days(days),
            removed_at: None,
        };
        sqlx::query!(
            "insert into token (farm_id, token_id, name, scope, probe_id, secret_hash, made_at, ends_at) values ($1, $2, $3, $4, $5, $6, $7, $8)",
            self.farm.0,
            token.token_id,
            token.name,
            token.scope.as_str(),
            probe_id,
            &hash[..],
            token.made_at,
            token.ends_at
        )
        .execute(&mut *self.db)
        .await?;
        Ok((token, secret))
    }

    /// Every token.
    ///
    /// # Errors
    /// When the database fails.
    #[tracing::instrument(level = "debug", name = "store.farm.tokens", skip_all, fields(farm_id = self.farm.0))]
    pub async fn tokens(&mut self) -> Result<Vec<Token>> {
        Ok(sqlx::query_as!(
            Token,
            r#"select t.token_id, t.name, t.scope as "scope: _", p.name as "probe?", t.made_at, t.ends_at, t.removed_at
                 from token t left join probe p using (farm_id, probe_id) where t.farm_id = $1 order by t.made_at, t.token_id limit 500"#,
            self.farm.0
        )
        .fetch_all(&mut *self.db)
        .await?)
    }

    /// Takes a token back.
    ///
    /// # Errors
    /// Refuses a token that is not there.
    #[tracing::instrument(level = "debug", name = "store.farm.remove_token", skip_all, fields(farm_id = self.farm.0))]
    pub async fn remove_token(&mut self, token_id: Uuid) -> Result<()> {
        let done = sqlx::query!(
            "update token set removed_at = $3 where farm_id = $1 and token_id = $2 and removed_at is null",
            self.farm.0,
            token_id,
            self.now
        )
        .execute(&mut *self.db)
        .await?;
        if done.rows_affected() == 0 {
            return Err(Refusal::not_found("token", token_id).into());
        }
        Ok(())
    }
}
