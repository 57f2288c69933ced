//! Which database: the one that `DATABASE_URL` names, or a cluster of our own.

use std::{
    fs::File,
    path::{Path, PathBuf},
    str::FromStr,
};

use anyhow::{Context, Result, bail};
use gillbook_store::{
    Store,
    migrate::{migrate, prepare_restore},
};
use sqlx::postgres::PgConnectOptions;

use crate::cluster::{ADMIN, Cluster, Durability, default_home};

/// Where the database is.
#[derive(Debug, Clone, Default, clap::Args)]
pub struct Database {
    /// A Postgres of your own, connected to as `gillbook_app`. Without it, Gillbook keeps its own in the data directory.
    #[arg(long, env = "DATABASE_URL", hide_env_values = true, global = true)]
    pub database_url: Option<String>,
    /// The same for `migrate`, `check`, `farms`, `people` and `detach-readings`: connected to as an administrator.
    #[arg(long, env = "GILLBOOK_ADMIN_URL", hide_env_values = true, global = true)]
    pub admin_url: Option<String>,
    /// Where the embedded database keeps its data.
    #[arg(long, env = "GILLBOOK_DATA_DIR", global = true)]
    pub data_dir: Option<PathBuf>,
}

/// An open database, and the cluster under it if it is ours.
#[derive(Debug)]
pub struct Open {
    /// The cluster, if this process keeps it.
    pub cluster: Option<Cluster>,
    app: PgConnectOptions,
    audit: PgConnectOptions,
    admin: PgConnectOptions,
}

impl Database {
    /// The data directory.
    #[must_use]
    pub fn home(&self) -> PathBuf {
        self.data_dir.clone().unwrap_or_else(default_home)
    }

    /// Opens the database; an embedded one is brought up to the schema.
    ///
    /// # Errors
    /// Says what is missing and what to do.
    pub async fn open(&self) -> Result<Open> {
        if let Some(url) = &self.database_url {
            let app = PgConnectOptions::from_str(url).context("DATABASE_URL is not a Postgres address")?;
            let admin = self.admin_url.as_deref().unwrap_or(url);
            let admin = PgConnectOptions::from_str(admin).context("GILLBOOK_ADMIN_URL is not a Postgres address")?;
            return Ok(Open { cluster: None, app, audit: admin.clone(), admin });
        }
        let home = self.home();
        if let Some(app) = Cluster::running(&home, "gillbook_app").await? {
            let (audit, admin) = (app.clone().username("gillbook_audit"), app.clone().username(ADMIN));
            return Ok(Open { cluster: None, app, audit, admin });
        }
        let cluster = Cluster::start(&home, Durability::Durable).await?;
        let open = Open {
            app: cluster.options("gillbook_app"),
            audit: cluster.options("gillbook_audit"),
            admin: cluster.options(ADMIN),
            cluster: Some(cluster),
        };
        match migrate(open.admin()).await {
            Ok(()) => Ok(open),
            Err(error) => {
                open.close().await?;
                Err(error.into())
            }
        }
    }
}

impl Database {
    /// Restores a dump into a new embedded database, made by whichever Postgres is installed, and brings it up to the schema.
    ///
    /// # Errors
    /// Refuses a directory that holds a book, or is in use, and a server of somebody's own.
    pub async fn restore(&self, dump: &Path) -> Result<()> {
        if self.database_url.is_some() {
            bail!(
                "DATABASE_URL names a server of your own. Restore there with its own pg_restore, then run `gillbook migrate`."
            );
        }
        let file = File::open(dump).with_context(|| format!("opening {}", dump.display()))?;
        let cluster = Cluster::start(&self.home(), Durability::Durable).await?;
        let admin = cluster.options(ADMIN);
        let restored = async {
            prepare_restore(&admin).await?;
            cluster.restore(file).await?;
            anyhow::Ok(migrate(&admin).await?)
        }
        .await;
        restored.and(cluster.stop().await)
    }
}

impl Open {
    /// The service's store, once the database has been found to be up to date and to be trusted.
    ///
    /// # Errors
    /// Says what is wrong with the database.
    pub async fn store(&self, connections: u32) -> Result<Store> {
        let store = Store::connect(self.app.clone(), connections).await?;
        store.ensure_schema().await?;
        store.ensure_trustworthy(true).await?;
        Ok(store)
    }

    /// Options of the role that reads every farm.
    #[must_use]
    pub fn audit(&self) -> &PgConnectOptions {
        &self.audit
    }

    /// Options of the administrator.
    #[must_use]
    pub fn admin(&self) -> &PgConnectOptions {
        &self.admin
    }

    /// Closes it; a cluster of ours is stopped.
    ///
    /// # Errors
    /// When the cluster does not stop.
    pub async fn close(self) -> Result<()> {
        match self.cluster {
            Some(cluster) => cluster.stop().await,
            None => Ok(()),
        }
    }
}
