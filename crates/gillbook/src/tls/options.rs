//! How the command line asks for TLS.

use std::{
    fmt,
    net::IpAddr,
    path::{Path, PathBuf},
    str::FromStr,
};

use anyhow::Result;
use clap::Args;

use super::{Authority, Source, Tls};

/// Domains that no public authority vouches for: names of a farm's own network (RFC 6762, RFC 8375) and of this machine (RFC 6761). `lan` and
/// `internal` are common practice of routers.
pub(super) const LOCAL_DOMAINS: [&str; 5] = ["local", "home.arpa", "localhost", "lan", "internal"];

/// Whether TLS is ended here, and with which certificates.
#[derive(Debug, Clone, Default, Args)]
pub struct TlsOptions {
    /// End TLS with the chain of certificates of this file (PEM), which is read again twice a day.
    #[arg(
        id = "tls_certificate",
        long = "tls-certificate",
        env = "GILLBOOK_TLS_CERTIFICATE",
        requires = "tls_key",
        conflicts_with = "tls_names"
    )]
    certificate: Option<PathBuf>,
    /// The private key of the first of them (PEM).
    #[arg(id = "tls_key", long = "tls-key", env = "GILLBOOK_TLS_KEY", requires = "tls_certificate")]
    key: Option<PathBuf>,
    /// End TLS with certificates of an authority of the farm's own, made in the data directory at the first start, for these names and
    /// addresses that this machine has in the farm's network, such as gillbook.local,192.168.1.20.
    #[arg(id = "tls_names", long = "tls-names", env = "GILLBOOK_TLS_NAMES", value_delimiter = ',')]
    names: Vec<LocalName>,
}

impl TlsOptions {
    /// The end of TLS that is asked for. An authority of the farm's own is kept under `home`.
    ///
    /// # Errors
    /// When a file cannot be read, or no authority can be made.
    pub fn tls(&self, home: &Path) -> Result<Option<Tls>> {
        let source = match (&self.certificate, &self.key, &self.names[..]) {
            (Some(certificate), Some(key), _) => Source::Files { certificate: certificate.clone(), key: key.clone() },
            (_, _, []) => return Ok(None),
            (_, _, names) => {
                Source::Own { authority: Authority::kept_in(&home.join("tls"))?.into(), names: names.to_vec() }
            }
        };
        Tls::new(source).map(Some)
    }
}

/// A name or address of this machine in the farm's own network.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) enum LocalName {
    Address(IpAddr),
    Name(String),
}

impl FromStr for LocalName {
    type Err = String;

    fn from_str(text: &str) -> Result<Self, String> {
        let text = text.trim().to_ascii_lowercase();
        if let Ok(address) = text.parse::<IpAddr>() {
            return if is_local(address) {
                Ok(Self::Address(address))
            } else {
                Err(format!(
                    "{address} is not an address of a network of your own: have a certificate made for it, and give its files"
                ))
            };
        }
        let is_label = |l: &str| {
            let edge = |c: Option<char>| c.is_some_and(|c| c.is_ascii_alphanumeric());
            l.len() <= 63
                && edge(l.chars().next())
                && edge(l.chars().last())
                && l.chars().all(|c| c.is_ascii_alphanumeric() || c == '-')
        };
        let labels: Vec<&str> = text.split('.').collect();
        let is_local = LOCAL_DOMAINS.iter().any(|domain| text == *domain || text.ends_with(&format!(".{domain}")));
        match (labels.iter().all(|l| is_label(l)) && text.len() <= 253, is_local) {
            (true, true) => Ok(Self::Name(text)),
            (true, false) => Err(format!(
                "{text} is not a name of a network of your own, which ends in {}: have a certificate made for it, and give its files",
                LOCAL_DOMAINS.map(|d| format!(".{d}")).join(", ")
            )),
            (false, _) => Err(format!("{text} is no name and no address")),
        }
    }
}

impl fmt::Display for LocalName {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Address(address) => address.fmt(f),
            Self::Name(name) => name.fmt(f),
        }
    }
}

/// Whether an address is one of a network of one's own: RFC 1918, RFC 3927, RFC 4193, RFC 4291.
fn is_local(address: IpAddr) -> bool {
    match address.to_canonical() {
        IpAddr::V4(v4) => v4.is_private() || v4.is_loopback() || v4.is_link_local(),
        IpAddr::V6(v6) => v6.is_loopback() || v6.is_unique_local() || v6.is_unicast_link_local(),
    }
}
