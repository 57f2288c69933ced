//! The command line.

use std::path::PathBuf;

use anyhow::{Context, Result, bail};
use chrono::{NaiveDate, Utc};
use chrono_tz::Tz;
use clap::{Parser, Subcommand};
use gillbook_core::{
    kinds::{Role, Scope},
    text::{Line, Text},
};
use gillbook_store::{
    Actor, FarmId, Store,
    check::{INVARIANTS, check},
    farm::{farms::NewFarm, people::NewPerson, tokens::NewToken},
    migrate::{detach_readings, migrate},
    transaction,
};
use gillbook_web::{MetricsSecret, Settings};

use crate::{
    database::{Database, Open},
    demo,
    listen::ListenAddr,
    notices::{Mail, choose_crypto},
    passphrase, probe,
    service::run_serve,
    tls::TlsOptions,
};

/// The weigh book, the fridge book and the sales book of a small mushroom farm, kept as one ledger.
#[derive(Debug, Parser)]
#[command(name = "gillbook", version, about)]
pub struct Cli {
    #[command(flatten)]
    database: Database,
    #[command(subcommand)]
    command: Command,
}

#[derive(Debug, Subcommand)]
enum Command {
    /// Serve the pages and the interface.
    Serve {
        /// Where to listen: an address with its port, or `unix:` and the whole path of a socket.
        #[arg(long, env = "GILLBOOK_LISTEN", default_value = "127.0.0.1:8080")]
        listen: ListenAddr,
        /// Send cookies over HTTPS only: behind a proxy that ends TLS.
        #[arg(long, env = "GILLBOOK_SECURE_COOKIES")]
        secure_cookies: bool,
        /// A secret of at least 32 characters that shows figures of the service at `/metrics`, as `Authorization: Bearer`; without one there
        /// is no such page. Best given by the environment.
        #[arg(long, env = "GILLBOOK_METRICS_SECRET", hide_env_values = true)]
        metrics_secret: Option<MetricsSecret>,
        #[command(flatten)]
        tls: TlsOptions,
        #[command(flatten)]
        mail: Mail,
    },
    /// Play a probe in a fridge against a running service.
    Probe(probe::Options),
    /// Bring the database up to this program's schema.
    Migrate,
    /// Live through an invented farm's season, then serve it.
    Demo(demo::Options),
    /// Print the description of the interface (`OpenAPI` 3.1).
    Openapi,
    /// Restore a dump of a book, made by `pg_dump --format=custom`, into a new embedded database.
    Restore {
        /// The dump.
        dump: PathBuf,
    },
    /// Prove the ledger's invariants again over everything that is stored.
    Check,
    /// Take old months of readings out of use: kept as tables of the schema `detached`, no longer looked at.
    DetachReadings {
        /// Months that end on this day or before it, at least three years ago, such as 2022-01-01.
        #[arg(long)]
        before: NaiveDate,
    },
    /// Farms of this book.
    Farms {
        #[command(subcommand)]
        what: Farms,
    },
    /// People of a farm.
    People {
        #[command(subcommand)]
        what: People,
    },
    /// Tokens for machines.
    Tokens {
        #[command(subcommand)]
        what: Tokens,
    },
}

#[derive(Debug, Subcommand)]
enum Farms {
    /// Open a farm. The owner's passphrase is read from `GILLBOOK_PASSPHRASE` or asked for.
    Add {
        /// Its name.
        name: String,
        /// IANA time zone, such as Europe/Paris. Fixed once there is stock.
        #[arg(long)]
        zone: Tz,
        /// ISO 4217 letters.
        #[arg(long)]
        currency: String,
        /// The owner's name.
        #[arg(long)]
        owner: String,
        /// The owner's initials.
        #[arg(long)]
        initials: String,
        /// The name that the owner signs in with.
        #[arg(long)]
        sign_in: String,
    },
    /// List them.
    List,
}

#[derive(Debug, Subcommand)]
enum People {
    /// Add a person. The passphrase is read from `GILLBOOK_PASSPHRASE` or asked for.
    Add {
        /// The farm's number.
        #[arg(long)]
        farm: i32,
        /// Name.
        name: String,
        /// Initials.
        #[arg(long)]
        initials: String,
        /// owner, picker, driver, verifier or bookkeeper.
        #[arg(long)]
        role: Role,
        /// The name to sign in with.
        #[arg(long)]
        sign_in: String,
    },
    /// List them.
    List {
        /// The farm's number.
        #[arg(long)]
        farm: i32,
    },
}

#[derive(Debug, Subcommand)]
enum Tokens {
    /// Make a token and print its secret, once.
    Add {
        /// The farm's number.
        #[arg(long)]
        farm: i32,
        /// What it is for.
        name: String,
        /// readings or read.
        #[arg(long)]
        scope: Scope,
        /// Name of the probe, for the scope readings.
        #[arg(long)]
        probe: Option<String>,
    },
    /// List them.
    List {
        /// The farm's number.
        #[arg(long)]
        farm: i32,
    },
}

impl Cli {
    /// Runs the command.
    ///
    /// # Errors
    /// What went wrong and what to do, for the terminal.
    pub async fn run(self) -> Result<()> {
        choose_crypto();
        match self.command {
            Command::Openapi => {
                print!("{}", gillbook_web::openapi_json());
                Ok(())
            }
            Command::Demo(options) => demo::run(&self.database, options).await,
            Command::Serve { listen, secure_cookies, metrics_secret, tls, mail } => {
                run_serve(
                    &self.database,
                    &listen,
                    Settings {
                        secure_cookies,
                        metrics_secret,
                        sends_email: mail.smtp_url.is_some(),
                        ..Settings::default()
                    },
                    &tls,
                    &mail,
                )
                .await
            }
            Command::Probe(options) => probe::play(options).await,
            Command::Restore { dump } => {
                self.database.restore(&dump).await?;
                println!("The book is restored. Run `gillbook check`.");
                Ok(())
            }
            command => {
                let open = self.database.open().await?;
                let done = run_short(command, &open).await;
                open.close().await?;
                done
            }
        }
    }
}

async fn run_short(command: Command, open: &Open) -> Result<()> {
    match command {
        Command::Migrate => {
            migrate(open.admin()).await?;
            println!("The database is up to date.");
            Ok(())
        }
        Command::Check => run_check(open).await,
        Command::DetachReadings { before } => {
            let detached = detach_readings(open.admin(), before, Utc::now()).await?;
            println!("{detached} partitions are out of use, in the schema `detached`.");
            Ok(())
        }
        Command::Farms { what } => run_farms(what, open).await,
        Command::People { what } => run_people(what, &open.store(2).await?).await,
        Command::Tokens { what } => run_tokens(what, &open.store(2).await?).await,
        Command::Serve { .. } | Command::Demo(_) | Command::Probe(_) | Command::Openapi | Command::Restore { .. } => {
            bail!("this command is run elsewhere")
        }
    }
}

async fn run_check(open: &Open) -> Result<()> {
    let findings = check(open.audit()).await?;
    for invariant in INVARIANTS {
        let broken: Vec<_> = findings.iter().filter(|f| f.invariant == invariant).collect();
        println!(
            "{:<45} {}",
            invariant,
            if broken.is_empty() { "holds".to_owned() } else { format!("BROKEN in {} rows", broken.len()) }
        );
        for f in broken {
            println!("    {}{}", f.farm.map(|n| format!("farm {n}: ")).unwrap_or_default(), f.row);
        }
    }
    if findings.is_empty() {
        println!("Everything holds.");
        Ok(())
    } else {
        bail!("{} rows break an invariant", findings.len())
    }
}

fn written<const MIN: usize, const MAX: usize>(what: &str, text: &str) -> Result<Text<MIN, MAX>> {
    Text::new(text).map_err(|e| anyhow::anyhow!("{what}: {e}"))
}

fn person(name: &str, initials: &str, role: Role, sign_in: &str) -> Result<NewPerson> {
    Ok(NewPerson {
        name: written("name", name)?,
        initials: written("initials", initials)?,
        role,
        sign_in_name: written("sign-in name", sign_in)?,
        passphrase: passphrase::ask()?,
    })
}

fn at_terminal(farm: i32) -> Actor {
    Actor::program(FarmId(farm), "terminal")
}

async fn run_farms(what: Farms, open: &Open) -> Result<()> {
    match what {
        Farms::Add { name, zone, currency, owner, initials, sign_in } => {
            let name: Line = written("name", &name)?;
            let farm = NewFarm { name, zone, currency, owner: person(&owner, &initials, Role::Owner, &sign_in)? };
            let id = open.store(2).await?.open_farm(&farm, Utc::now()).await?;
            println!("Farm {} is open. Sign in as {sign_in}.", id.0);
        }
        Farms::List => {
            for (id, name) in gillbook_store::farm::farms::farms(open.audit()).await? {
                println!("{id}\t{name}");
            }
        }
    }
    Ok(())
}

async fn run_people(what: People, store: &Store) -> Result<()> {
    match what {
        People::Add { farm, name, initials, role, sign_in } => {
            let new = person(&name, &initials, role, &sign_in)?;
            let added = transaction!(write, store, &at_terminal(farm), Utc::now(), |tx| tx.add_person(&new).await)
                .with_context(|| format!("adding a person to farm {farm}"))?;
            println!("{} may sign in as {sign_in}.", added.name);
        }
        People::List { farm } => {
            let people = transaction!(read, store, &at_terminal(farm), Utc::now(), |tx| tx.people().await)?;
            for p in people {
                println!(
                    "{}\t{}\t{}{}",
                    p.initials,
                    p.role,
                    p.name,
                    if p.removed_at.is_some() { "\tremoved" } else { "" }
                );
            }
        }
    }
    Ok(())
}

async fn run_tokens(what: Tokens, store: &Store) -> Result<()> {
    match what {
        Tokens::Add { farm, name, scope, probe } => {
            let probe = probe.as_deref().map(|p| written("probe", p)).transpose()?;
            let new = NewToken { name: written("name", &name)?, scope, probe, days: None };
            let (token, secret) =
                transaction!(write, store, &at_terminal(farm), Utc::now(), |tx| tx.make_token(&new).await)?;
            println!("{secret}");
            eprintln!("Shown this once. Good until {}.", token.ends_at.format("%Y-%m-%d"));
        }
        Tokens::List { farm } => {
            let tokens = transaction!(read, store, &at_terminal(farm), Utc::now(), |tx| tx.tokens().await)?;
            for t in tokens {
                println!("{}\t{}\t{}\tuntil {}", t.token_id, t.scope, t.name, t.ends_at.format("%Y-%m-%d"));
            }
        }
    }
    Ok(())
}
