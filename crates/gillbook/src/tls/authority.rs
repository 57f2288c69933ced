//! An authority of the farm's own: a key that nobody else can read, and certificates for the machine's names in the farm's network.
//!
//! A phone that trusts it would believe it about every site, so what it may vouch for is written into its own certificate: names that no public
//! authority vouches for, and addresses of private networks (RFC 5280, 4.2.1.10). The key of the certificate that is shown to phones is
//! never written down; it is made anew with the certificate.

use std::{
    fs::{self, OpenOptions, Permissions},
    io::{ErrorKind, Write},
    net::IpAddr,
    os::unix::fs::{DirBuilderExt, OpenOptionsExt, PermissionsExt},
    path::Path,
};

use anyhow::{Context, Result};
use rand::RngExt;
use rcgen::{
    BasicConstraints, CertificateParams, CidrSubnet, DnType, ExtendedKeyUsagePurpose, GeneralSubtree, IsCa, Issuer,
    KeyPair, KeyUsagePurpose, NameConstraints, SanType,
};
use rustls::pki_types::{CertificateDer, PrivateKeyDer, PrivatePkcs8KeyDer, pem::PemObject};
use time::{Duration, OffsetDateTime};

use super::{LocalName, options::LOCAL_DOMAINS};

/// How long a phone goes on trusting the authority.
const AUTHORITY_DAYS: i64 = 20 * 365;

/// How long a certificate is good. Phones take none that is good for more than 825 days, whoever made it; it is made anew long before.
const CERTIFICATE_DAYS: i64 = 90;

/// A certificate begins to be good so long ago, for phones whose clocks are behind.
const CLOCKS_BEHIND_DAYS: i64 = 2;

/// Private networks, as an address and the length of its prefix.
const LOCAL_NETWORKS: [(&str, u8); 8] = [
    ("10.0.0.0", 8),
    ("172.16.0.0", 12),
    ("192.168.0.0", 16),
    ("169.254.0.0", 16),
    ("127.0.0.0", 8),
    ("fc00::", 7),
    ("fe80::", 10),
    ("::1", 128),
];

/// The farm's own authority.
pub(super) struct Authority {
    der: CertificateDer<'static>,
    issuer: Issuer<'static, KeyPair>,
}

impl std::fmt::Debug for Authority {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Authority").finish_non_exhaustive()
    }
}

impl Authority {
    /// The authority that is kept in a directory; made there where there is none yet.
    pub(super) fn kept_in(home: &Path) -> Result<Self> {
        let (certificate, key) = (home.join("authority.pem"), home.join("authority-key.pem"));
        if !certificate.exists() {
            make(home, &certificate, &key)
                .with_context(|| format!("cannot make an authority in {}", home.display()))?;
        }
        let read = |path: &Path| fs::read_to_string(path).with_context(|| format!("cannot read {}", path.display()));
        let (certificate, key) = (read(&certificate)?, read(&key)?);
        let der = CertificateDer::from_pem_slice(certificate.as_bytes())?;
        let issuer = Issuer::from_ca_cert_der(&der, KeyPair::from_pem(&key)?)?;
        Ok(Self { der, issuer })
    }

    /// Its own certificate, which phones are told to trust.
    pub(super) fn der(&self) -> &[u8] {
        &self.der
    }

    /// A certificate for some names and addresses, and its key.
    pub(super) fn certificate_for(
        &self,
        names: &[LocalName],
    ) -> Result<(Vec<CertificateDer<'static>>, PrivateKeyDer<'static>)> {
        let mut params = good_for(CERTIFICATE_DAYS);
        if let Some(first) = names.first() {
            params.distinguished_name.push(DnType::CommonName, first.to_string());
        }
        for name in names {
            params.subject_alt_names.push(match name {
                LocalName::Address(address) => SanType::IpAddress(*address),
                LocalName::Name(name) => SanType::DnsName(name.as_str().try_into()?),
            });
        }
        params.key_usages = vec![KeyUsagePurpose::DigitalSignature];
        params.extended_key_usages = vec![ExtendedKeyUsagePurpose::ServerAuth];
        params.use_authority_key_identifier_extension = true;
        let key = KeyPair::generate()?;
        let certificate = params.signed_by(&key, &self.issuer)?;
        Ok((vec![certificate.der().clone()], PrivatePkcs8KeyDer::from(key.serialize_der()).into()))
    }
}

/// What is good from a little while ago on.
fn good_for(days: i64) -> CertificateParams {
    let mut params = CertificateParams::default();
    let now = OffsetDateTime::now_utc();
    params.not_before = now - Duration::days(CLOCKS_BEHIND_DAYS);
    params.not_after = now + Duration::days(days);
    params
}

/// Makes an authority. Its certificate is written last: where that is, the key is.
fn make(home: &Path, certificate: &Path, key: &Path) -> Result<()> {
    if let Some(above) = home.parent() {
        fs::create_dir_all(above)?;
    }
    match fs::DirBuilder::new().mode(0o700).create(home) {
        Err(error) if error.kind() != ErrorKind::AlreadyExists => return Err(error.into()),
        _ => fs::set_permissions(home, Permissions::from_mode(0o700))?,
    }
    let mut params = good_for(AUTHORITY_DAYS);
    // A number of its own, so that two farms' authorities are told apart in a phone's list.
    let number = rand::rng().random_range(1000..10_000);
    params.distinguished_name.push(DnType::CommonName, format!("Gillbook {number}, this farm only"));
    params.is_ca = IsCa::Ca(BasicConstraints::Constrained(0));
    params.key_usages = vec![KeyUsagePurpose::KeyCertSign, KeyUsagePurpose::CrlSign];
    let names = LOCAL_DOMAINS.iter().map(|domain| GeneralSubtree::DnsName((*domain).to_owned()));
    let network = |(address, prefix): &(&str, u8)| {
        let address: IpAddr = address.parse()?;
        anyhow::Ok(GeneralSubtree::IpAddress(CidrSubnet::from_addr_prefix(address, *prefix)))
    };
    let networks = LOCAL_NETWORKS.iter().map(network).collect::<Result<Vec<_>>>()?;
    params.name_constraints =
        Some(NameConstraints { permitted_subtrees: names.chain(networks).collect(), excluded_subtrees: Vec::new() });
    let pair = KeyPair::generate()?;
    let own = params.self_signed(&pair)?;
    let mut file = OpenOptions::new().write(true).create(true).truncate(true).mode(0o600).open(key)?;
    file.write_all(pair.serialize_pem().as_bytes())?;
    file.sync_all()?;
    let beside = certificate.with_extension("new");
    fs::write(&beside, own.pem())?;
    fs::rename(&beside, certificate)?;
    Ok(())
}
