//! Who is signed in: by a cookie in a browser, or a token in a machine.

use std::sync::{Arc, atomic::Ordering};

use argon2::{Argon2, PasswordHasher, PasswordVerifier};
use chrono::{DateTime, TimeDelta, Utc};
use gillbook_core::{
    SignedWith,
    kinds::{Role, Scope},
    refusal::{Refusal, RefusalKind},
};
use uuid::Uuid;

use crate::{
    Actor, FarmId, Result, Store, TOKEN_CACHE_TTL, Tx,
    farm::people::{HASHING, Passphrase},
    secret::{farm_of, hash_secret, new_secret},
    transaction,
};

/// How long a sign-in lasts.
const SIGN_IN_DAYS: i64 = 30;

/// How long a browser is known again by which somebody signed in.
const DEVICE_DAYS: i64 = 365;

/// Browsers that are known of one person.
const MAX_DEVICES: i64 = 20;

/// What somebody signed in may do.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Principal {
    /// A person with a role.
    Person(Role),
    /// A token that reads.
    Reader,
    /// A token that posts the readings of one probe.
    Probe(i32),
    /// A calendar's address.
    Calendar,
    /// A docket's address, at a customer's.
    Customer,
}

/// Somebody signed in.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Session {
    /// For the store.
    pub actor: Actor,
    /// The name to greet with.
    pub name: String,
    /// What they may do.
    pub standing: Principal,
}

/// The same words whichever of the two is wrong.
#[must_use]
pub fn wrong_name_or_passphrase() -> Refusal {
    Refusal::new(RefusalKind::NotSignedIn, "The name or the passphrase is wrong. Try again.")
}

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
        let signed = |farm| Actor::program(farm, "sign-in");
        let hash = match &found {
            Some(f) => transaction!(read, self, &signed(FarmId(f.farm_id)), now, |tx| {
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
        transaction!(write, self, &signed(farm), now, |tx| {
            tx.insert_session(found.person_id, session_hash, shared_phone).await?;
            tx.insert_device(found.person_id, device_hash).await
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
        let signed = Actor::program(farm, "sign-in");
        transaction!(read, self, &signed, now, |tx| {
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
        let signed = Actor::program(farm, "sign-out");
        transaction!(write, self, &signed, now, |tx| {
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
        if let Some((session, _)) = self.token_cache.get(&hash).filter(|(_, until)| *until > now) {
            return Ok(Some(session));
        }
        // Boxed, so that the many requests that end above do not carry the room for it.
        Box::pin(self.session_of(farm, hash, now)).await
    }

    async fn session_of(&self, farm: FarmId, hash: [u8; 32], now: DateTime<Utc>) -> Result<Option<Arc<Session>>> {
        let signed = Actor::program(farm, "look-up");
        let forgotten = self.token_cache_epoch.load(Ordering::SeqCst);
        let found = transaction!(read, self, &signed, now, |tx| {
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
                let signed = Actor { farm, name: p.initials, key: format!("person {}", p.person_id), with };
                return Ok(Some((
                    Session { actor: signed, name: p.name, standing: Principal::Person(p.role) },
                    tx.now,
                )));
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
                        actor: Actor {
                            farm,
                            name: format!("token {}", t.name).chars().take(100).collect(),
                            key: format!("token {}", t.token_id),
                            with: SignedWith::Machine,
                        },
                        name: t.name,
                        standing: match (t.scope, t.probe_id) {
                            (Scope::Readings, Some(probe)) => Principal::Probe(probe),
                            (Scope::Calendar, _) => Principal::Calendar,
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
        if matches!(session.standing, Principal::Probe(_)) && forgotten == self.token_cache_epoch.load(Ordering::SeqCst)
        {
            self.token_cache.insert(hash, (session.clone(), ends_at.min(now + TOKEN_CACHE_TTL)));
        }
        Ok(Some(session))
    }
}

impl Tx {
    async fn insert_session(&mut self, person_id: Uuid, hash: [u8; 32], shared_phone: bool) -> Result<()> {
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
    async fn insert_device(&mut self, person_id: Uuid, hash: [u8; 32]) -> Result<()> {
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
}
