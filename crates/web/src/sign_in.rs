//! Signing in, held back against guessing: by the name and by where it comes from.
//!
//! Whoever guesses at a name from anywhere has ten tries a minute with it. So that this locks nobody out, a browser that signed in with the
//! name before is known by a second cookie and has its own ten.

use std::net::{IpAddr, Ipv6Addr};
use std::num::NonZeroU32;

use axum::{
    extract::FromRequestParts,
    http::{HeaderValue, header, request::Parts},
    response::AppendHeaders,
};
use gillbook_core::{
    limits::{MAX_SIGN_INS_PER_ADDRESS, MAX_SIGN_INS_PER_NAME},
    refusal::{Refusal, RefusalKind},
};
use gillbook_store::farm::people::{Passphrase, SignInName};
use governor::{DefaultKeyedRateLimiter, Quota, RateLimiter};

use crate::{
    App,
    auth::{Lasting, cookie, device_secret},
    problem::Problem,
};

/// The other end of a connection. Without an address it is on this machine's own socket.
#[derive(Debug, Clone, Copy)]
pub struct Peer(pub Option<IpAddr>);

/// Where a request comes from and by which browser, as far as signing in needs to know.
#[derive(Debug, Clone)]
pub(crate) struct Origin {
    /// None where it cannot be told: it comes from this machine.
    address: Option<IpAddr>,
    /// The secret of a browser that signed in before.
    device: Option<String>,
}

impl<S: Sync> FromRequestParts<S> for Origin {
    type Rejection = std::convert::Infallible;

    async fn from_request_parts(parts: &mut Parts, _: &S) -> Result<Self, Self::Rejection> {
        let peer =
            parts.extensions.get::<Peer>().and_then(|peer| peer.0).filter(|peer| !peer.to_canonical().is_loopback());
        // A proxy on this machine says whom it speaks for, last in the list; nobody else is believed.
        let forwarded = || {
            let list = parts.headers.get_all("x-forwarded-for").iter().next_back()?.to_str().ok()?;
            list.rsplit(',').next()?.trim().parse().ok()
        };
        Ok(Self { address: peer.or_else(forwarded).map(network_of), device: device_secret(&parts.headers) })
    }
}

/// The address itself, or of the newer kind the network that one household has to itself.
#[must_use]
pub fn network_of(address: IpAddr) -> IpAddr {
    match address.to_canonical() {
        IpAddr::V6(v6) => Ipv6Addr::from_bits(v6.to_bits() & !u128::from(u64::MAX)).into(),
        v4 @ IpAddr::V4(_) => v4,
    }
}

/// Counts tries. What it remembers is bounded: names and addresses of the last minute, of bounded length.
#[derive(Debug)]
pub(crate) struct Tries {
    by_name: DefaultKeyedRateLimiter<String>,
    by_address: DefaultKeyedRateLimiter<IpAddr>,
}

fn a_minute(tries: u32) -> Quota {
    Quota::per_minute(NonZeroU32::new(tries).unwrap_or(NonZeroU32::MIN))
}

impl Tries {
    pub(crate) fn new() -> Self {
        Self {
            by_name: RateLimiter::keyed(a_minute(MAX_SIGN_INS_PER_NAME)),
            by_address: RateLimiter::keyed(a_minute(MAX_SIGN_INS_PER_ADDRESS)),
        }
    }

    /// Forgets what is older than the limits look back.
    pub(crate) fn forget_old(&self) {
        self.by_name.retain_recent();
        self.by_name.shrink_to_fit();
        self.by_address.retain_recent();
        self.by_address.shrink_to_fit();
    }

    pub(crate) fn allow(&self, name: &str, origin: &Origin, known_device: bool) -> bool {
        if known_device {
            let device = origin.device.as_deref().unwrap_or_default();
            return self.by_name.check_key(&format!("{name} {device}")).is_ok();
        }
        origin.address.is_none_or(|address| self.by_address.check_key(&address).is_ok())
            && self.by_name.check_key(&name.to_owned()).is_ok()
    }
}

/// The cookies of somebody who has just signed in: the session's, then the browser's.
pub(crate) type SignedIn = AppendHeaders<[(header::HeaderName, HeaderValue); 2]>;

/// Signs somebody in, or refuses with the same words for a wrong name and a wrong passphrase.
pub(crate) async fn sign_in(
    app: &App,
    origin: &Origin,
    name: &SignInName,
    passphrase: Passphrase,
    shared_phone: bool,
) -> Result<SignedIn, Problem> {
    let name = name.as_str().to_lowercase();
    let known_device = match &origin.device {
        Some(device) => app.store.knows_device(&name, device, app.now()).await?,
        None => false,
    };
    if !app.tries.allow(&name, origin, known_device) {
        return Err(
            Refusal::new(RefusalKind::TooMany, "Too many tries to sign in. Wait a minute, then try again.").into()
        );
    }
    let secrets = app.store.sign_in(&name, passphrase, shared_phone, app.now()).await?;
    let header = |lasting, secret: &str| {
        HeaderValue::from_str(&cookie(app, lasting, secret))
            .map(|value| (header::SET_COOKIE, value))
            .map_err(|_| Problem::broken())
    };
    Ok(AppendHeaders([header(Lasting::Session, &secrets.session)?, header(Lasting::Device, &secrets.device)?]))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn origin(address: &str, device: Option<&str>) -> Origin {
        Origin { address: Some(network_of(address.parse().unwrap())), device: device.map(str::to_owned) }
    }

    fn allowed(tries: &Tries, name: &str, origin: &Origin, known: bool) -> usize {
        (0..100).filter(|_| tries.allow(name, origin, known)).count()
    }

    #[test]
    fn a_stranger_who_guesses_locks_no_known_browser_out() {
        let tries = Tries::new();
        assert_eq!(allowed(&tries, "ada", &origin("192.0.2.1", None), false), 10);
        assert_eq!(allowed(&tries, "ada", &origin("192.0.2.2", None), false), 0, "from anywhere");
        assert_eq!(allowed(&tries, "ada", &origin("192.0.2.1", Some("d")), true), 10, "the owner's browser");
        assert_eq!(allowed(&tries, "ada", &origin("192.0.2.1", Some("d")), true), 0, "and not for ever either");
    }

    #[test]
    fn one_address_has_so_many_tries_whatever_the_names() {
        let tries = Tries::new();
        let here = origin("2001:db8:1:2::1", None);
        let names: usize = (0..100).map(|n| usize::from(tries.allow(&format!("name{n}"), &here, false))).sum();
        assert_eq!(names, 60);
        assert!(!tries.allow("another", &origin("2001:db8:1:2:ffff::9", None), false), "the same household");
        assert!(tries.allow("another", &origin("2001:db8:1:3::1", None), false), "the next one");
    }
}
