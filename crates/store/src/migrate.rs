//! Bringing a database to the schema, and refusing one that cannot keep a promise.

use chrono::{DateTime, NaiveDate, NaiveTime, Utc};
use gillbook_core::refusal::Refusal;
use sqlx::{Connection, Executor, PgConnection, migrate::Migrator, postgres::PgConnectOptions};

use crate::{Error, Result, Store, cold::readings::MAX_READING_AGE};

static MIGRATIONS: Migrator = sqlx::migrate!("../../migrations");

/// The roles that the schema speaks of. They belong to the cluster, not to the database, so no migration can make them.
const ROLES: &str = "
do $$
declare r text;
begin
    foreach r in array array['gillbook_owner', 'gillbook_app', 'gillbook_audit'] loop
        if not exists (select from pg_roles where rolname = r) then
            execute format('create role %I %s', r, case r when 'gillbook_owner' then 'nologin' else 'login' end);
        end if;
    end loop;
    if not pg_has_role(current_user, 'gillbook_owner', 'member') then
        execute format('grant gillbook_owner to %I', current_user);
    end if;
end $$;";

/// Makes the database `gillbook` in a new cluster. `options` are an administrator's, on another database.
///
/// # Errors
/// When the cluster cannot be reached or the administrator may not make databases.
pub async fn ensure_database(options: &PgConnectOptions) -> Result<()> {
    let mut db = PgConnection::connect_with(options).await?;
    let there: bool = sqlx::query_scalar("select exists (select from pg_database where datname = 'gillbook')")
        .fetch_one(&mut db)
        .await?;
    if !there {
        db.execute("create database gillbook").await?;
    }
    db.close().await?;
    Ok(())
}

/// Makes ready for a dump of a book to be restored into a database: its roles. `options` are an administrator's.
///
/// # Errors
/// Refuses a database that holds a book.
pub async fn prepare_restore(options: &PgConnectOptions) -> Result<()> {
    let mut db = PgConnection::connect_with(options).await?;
    let there: bool = sqlx::query_scalar("select to_regclass('public.act') is not null").fetch_one(&mut db).await?;
    if there {
        return Err(Error::Stored(
            "the database holds a book already. Restore into a new data directory, or into an empty database.".into(),
        ));
    }
    db.execute(ROLES).await?;
    db.close().await?;
    Ok(())
}

/// Makes the roles and brings the schema up to date. `options` are an administrator's.
///
/// # Errors
/// When the database cannot be reached, the administrator may not make roles, or a migration fails.
pub async fn migrate(options: &PgConnectOptions) -> Result<()> {
    let mut db = PgConnection::connect_with(options).await?;
    db.execute(ROLES).await?;
    db.execute(
        "do $$ begin
             execute format('grant create, connect, temporary on database %I to gillbook_owner', current_database());
             execute format('grant connect on database %I to gillbook_app, gillbook_audit', current_database());
             execute format('revoke temporary on database %I from public', current_database());
         end $$;
         grant usage, create on schema public to gillbook_owner;
         grant usage on schema public to gillbook_app, gillbook_audit;
         set role gillbook_owner;",
    )
    .await?;
    MIGRATIONS.run(&mut db).await.map_err(|e| Error::Stored(format!("a migration failed: {e}")))?;
    db.execute("grant select on _sqlx_migrations to gillbook_app, gillbook_audit; reset role;").await?;
    db.close().await?;
    Ok(())
}

/// Takes the months of readings that end on a day or before it out of use, and tells how many partitions that were. They stay as tables of
/// the schema `detached`; hours and excursions that were judged of them stand. `options` are an administrator's.
///
/// # Errors
/// Refuses a day that late readings may still reach behind.
pub async fn detach_readings(options: &PgConnectOptions, before: NaiveDate, now: DateTime<Utc>) -> Result<i32> {
    let before = before.and_time(NaiveTime::MIN).and_utc();
    let latest = now - MAX_READING_AGE;
    if before > latest {
        let detail =
            format!("Readings are taken until they are three years old. Choose a day up to {}.", latest.date_naive());
        return Err(Refusal::field("before", detail).into());
    }
    let mut db = PgConnection::connect_with(options).await?;
    // Whoever waits for a lock on the readings makes all others wait behind it.
    db.execute("set role gillbook_owner; set lock_timeout = '3s'").await?;
    let detached =
        sqlx::query_scalar!(r#"select detach_reading_partitions($1) as "n!""#, before).fetch_one(&mut db).await?;
    db.close().await?;
    Ok(detached)
}

/// How a database is set, as far as it decides whether an acknowledged write is kept.
#[derive(Debug, Clone)]
struct ServerSettings {
    fsync: String,
    full_page_writes: String,
    synchronous_commit: String,
    superuser: bool,
    bypasses: bool,
    owner: bool,
}

impl Store {
    /// Refuses a database that is behind or ahead of this program.
    ///
    /// # Errors
    /// Says what to do.
    pub async fn ensure_schema(&self) -> Result<()> {
        let at = sqlx::query_scalar!(r#"select to_regclass('public._sqlx_migrations') is not null as "there!""#)
            .fetch_one(&self.pool)
            .await?;
        let newest = MIGRATIONS.iter().map(|m| m.version).max().unwrap_or(0);
        let found = if at {
            sqlx::query_scalar!(r#"select coalesce(max(version), 0) as "version!" from _sqlx_migrations where success"#)
                .fetch_one(&self.pool)
                .await?
        } else {
            0
        };
        match found.cmp(&newest) {
            std::cmp::Ordering::Equal => Ok(()),
            std::cmp::Ordering::Less => Err(Error::Stored(format!(
                "the database stands at schema {found} and this program needs {newest}. Run `gillbook migrate`."
            ))),
            std::cmp::Ordering::Greater => Err(Error::Stored(format!(
                "the database stands at schema {found}, which is newer than this program ({newest}). Run a newer gillbook."
            ))),
        }
    }

    /// Refuses a database that can lose an acknowledged write, and a role that could see every farm or change a record.
    /// `durable` is false only on a throw-away cluster of a test.
    ///
    /// # Errors
    /// Says which setting, and what to do.
    pub async fn ensure_trustworthy(&self, durable: bool) -> Result<()> {
        let s = sqlx::query_as!(
            ServerSettings,
            r#"select current_setting('fsync') as "fsync!", current_setting('full_page_writes') as "full_page_writes!",
                      current_setting('synchronous_commit') as "synchronous_commit!",
                      r.rolsuper as "superuser!", r.rolbypassrls as "bypasses!",
                      pg_has_role(current_user, (select relowner from pg_class where oid = 'public.act'::regclass), 'member') as "owner!"
                 from pg_roles r where r.rolname = current_user"#
        )
        .fetch_one(&self.pool)
        .await?;
        let settings = [
            ("fsync", &s.fsync),
            ("full_page_writes", &s.full_page_writes),
            ("synchronous_commit", &s.synchronous_commit),
        ];
        if let Some((name, _)) = settings.iter().find(|(_, value)| durable && *value == "off") {
            return Err(Error::Stored(format!(
                "the database has {name} off and could lose a weighing that was said to be kept. Set {name} = on."
            )));
        }
        if s.superuser || s.bypasses || s.owner {
            return Err(Error::Stored(
                "the service is connected as a superuser, the schema's owner or a role that passes row security by. Connect as gillbook_app.".into(),
            ));
        }
        Ok(())
    }
}
