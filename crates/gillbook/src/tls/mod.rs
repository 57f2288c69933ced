//! TLS ended by the program itself: a browser gives its camera, and a page that works without a signal, to a secure address only, and a farm's
//! own box has no public name for which an authority that everybody trusts would make a certificate.
//!
//! It has either the files of a certificate that somebody else makes and renews, or an authority of the farm's own (`authority.rs`), which
//! each phone is told once to trust. Whoever speaks plain HTTP to the port is told how to get there.

mod authority;
mod options;

use std::{io, path::PathBuf, sync::Arc, time::Duration};

use anyhow::{Context, Result};
use axum::Router;
use rustls::{
    ServerConfig,
    pki_types::{CertificateDer, PrivateKeyDer, pem::PemObject},
    server::{ClientHello, ResolvesServerCert},
    sign::CertifiedKey,
};
use std::sync::{PoisonError, RwLock};
use tokio_rustls::{TlsAcceptor, server::TlsStream};
use tokio_util::{either::Either, sync::CancellationToken};

pub use self::options::TlsOptions;
use self::{authority::Authority, options::LocalName};
use crate::listen::Stream;

/// How often certificates are looked at: files are read again, and one of the farm's own authority is made anew.
const RENEW_EVERY: Duration = Duration::from_hours(12);

/// The first byte of a TLS connection: a record of the handshake (RFC 8446, 5.1).
const HANDSHAKE: u8 = 22;

/// Where certificates come from.
#[derive(Debug)]
enum Source {
    Files { certificate: PathBuf, key: PathBuf },
    Own { authority: Box<Authority>, names: Vec<LocalName> },
}

impl Source {
    fn certified(&self) -> Result<CertifiedKey> {
        let (chain, key) = match self {
            Self::Files { certificate, key } => {
                let chain = CertificateDer::pem_file_iter(certificate).and_then(Iterator::collect::<Result<Vec<_>, _>>);
                let chain =
                    chain.with_context(|| format!("cannot read certificates from {}", certificate.display()))?;
                let key = PrivateKeyDer::from_pem_file(key)
                    .with_context(|| format!("cannot read a private key from {}", key.display()))?;
                (chain, key)
            }
            Self::Own { authority, names } => authority.certificate_for(names)?,
        };
        let provider = rustls::crypto::ring::default_provider();
        CertifiedKey::from_der(chain, key, &provider).context("the certificate and its key do not belong together")
    }
}

/// The certificate that is shown now.
#[derive(Debug)]
struct Current(RwLock<Arc<CertifiedKey>>);

impl Current {
    fn set(&self, certified: CertifiedKey) {
        *self.0.write().unwrap_or_else(PoisonError::into_inner) = Arc::new(certified);
    }
}

impl ResolvesServerCert for Current {
    fn resolve(&self, _: ClientHello<'_>) -> Option<Arc<CertifiedKey>> {
        Some(Arc::clone(&self.0.read().unwrap_or_else(PoisonError::into_inner)))
    }
}

/// The end of TLS, and what is answered where somebody comes without.
#[derive(Clone)]
pub struct Tls {
    acceptor: TlsAcceptor,
    source: Arc<Source>,
    current: Arc<Current>,
    plain: Router,
}

impl std::fmt::Debug for Tls {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Tls").field("source", &self.source).finish_non_exhaustive()
    }
}

/// A connection as it turned out to be.
pub(crate) enum Begun {
    Secure(Box<TlsStream<Stream>>),
    Plain(Stream),
}

impl Tls {
    fn new(source: Source) -> Result<Self> {
        let current = Arc::new(Current(RwLock::new(Arc::new(source.certified()?))));
        let resolver: Arc<dyn ResolvesServerCert> = Arc::<Current>::clone(&current);
        let provider = Arc::new(rustls::crypto::ring::default_provider());
        let mut config = ServerConfig::builder_with_provider(provider)
            .with_safe_default_protocol_versions()?
            .with_no_client_auth()
            .with_cert_resolver(resolver);
        config.alpn_protocols = vec![b"http/1.1".to_vec()];
        let authority = match &source {
            Source::Files { .. } => None,
            Source::Own { authority, .. } => Some(authority.der().to_vec()),
        };
        Ok(Self {
            acceptor: TlsAcceptor::from(Arc::new(config)),
            source: Arc::new(source),
            current,
            plain: gillbook_web::plain_http(authority),
        })
    }

    /// Whether the certificate is of an authority of the farm's own.
    pub(crate) fn has_own_authority(&self) -> bool {
        matches!(*self.source, Source::Own { .. })
    }

    /// What is answered where somebody comes without TLS.
    pub(crate) fn plain(&self) -> Router {
        self.plain.clone()
    }

    /// Begins TLS, or finds that the other side speaks plain HTTP. Nothing is read of that.
    pub(crate) async fn begin(&self, stream: Stream) -> io::Result<Begun> {
        if let Either::Left(tcp) = &stream {
            let mut first = [0];
            if tcp.peek(&mut first).await? == 1 && first[0] != HANDSHAKE {
                return Ok(Begun::Plain(stream));
            }
        }
        Ok(Begun::Secure(Box::new(self.acceptor.accept(stream).await?)))
    }

    /// Keeps the certificate new until `stop`. One that cannot be had is told in the log, and the one before it is shown on.
    pub async fn renew(self, stop: CancellationToken) {
        while stop.run_until_cancelled(tokio::time::sleep(RENEW_EVERY)).await.is_some() {
            match self.source.certified() {
                Ok(certified) => self.current.set(certified),
                Err(error) => tracing::error!(%error, "the certificate could not be renewed"),
            }
        }
    }
}

#[cfg(test)]
mod tests;
