//! Which addresses a webhook may lead to: those of the open network. A farm's owner says where messages go, and must not reach with them what
//! only this machine or its neighbours can.

use std::net::{IpAddr, Ipv4Addr, Ipv6Addr, SocketAddr};

use reqwest::dns::{Addrs, Name, Resolve, Resolving};

/// Resolves names, and leaves out what is not of the open network.
#[derive(Debug, Clone, Copy)]
pub(crate) struct OpenNetwork;

impl Resolve for OpenNetwork {
    fn resolve(&self, name: Name) -> Resolving {
        Box::pin(async move {
            let found = tokio::net::lookup_host((name.as_str(), 0)).await?;
            let open: Vec<SocketAddr> = found.filter(|address| is_open(address.ip())).collect();
            if open.is_empty() {
                return Err(refusal(name.as_str()).into());
            }
            Ok(Box::new(open.into_iter()) as Addrs)
        })
    }
}

/// Refuses an address that stands in the place of a name: no resolver is asked for it.
pub(crate) fn ensure_open(url: &reqwest::Url) -> anyhow::Result<()> {
    let host = url.host_str().unwrap_or_default();
    let literal: Option<IpAddr> = host.trim_matches(['[', ']']).parse().ok();
    anyhow::ensure!(literal.is_none_or(is_open), refusal(host));
    Ok(())
}

fn refusal(host: &str) -> String {
    format!("{host} is not an address of the open network (--private-webhooks allows it)")
}

/// Whether an address is of the open network (IANA special-purpose address registries, RFC 6890).
fn is_open(address: IpAddr) -> bool {
    match address.to_canonical() {
        IpAddr::V4(v4) => is_open_v4(v4),
        IpAddr::V6(v6) => is_open_v6(v6),
    }
}

fn is_open_v4(address: Ipv4Addr) -> bool {
    let [a, b, c, _] = address.octets();
    !(a == 0
        || a >= 224
        || address.is_private()
        || address.is_loopback()
        || address.is_link_local()
        || address.is_documentation()
        // Shared between a provider and its customers (RFC 6598), protocol assignments, benchmarking (RFC 2544).
        || (a == 100 && (64..128).contains(&b))
        || (a, b, c) == (192, 0, 0)
        || (a == 198 && (18..20).contains(&b)))
}

fn is_open_v6(address: Ipv6Addr) -> bool {
    match address.segments() {
        // One of the old kind behind a translator (RFC 6052), or in a tunnel's name (RFC 3056).
        [0x64, 0xff9b, 0, 0, 0, 0, high, low] | [0x2002, high, low, ..] => {
            is_open_v4(Ipv4Addr::from_bits(u32::from(high) << 16 | u32::from(low)))
        }
        [0x2001, 0x0db8, ..] => false,
        // Only this eighth is given out for the open network (RFC 4291, 2.4).
        [first, ..] => (0x2000..0x4000).contains(&first),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn neighbours_are_told_from_the_open_network() {
        for closed in [
            "127.0.0.1",
            "10.1.2.3",
            "172.16.0.1",
            "192.168.1.1",
            "169.254.169.254",
            "0.0.0.0",
            "100.64.0.1",
            "224.0.0.1",
            "255.255.255.255",
            "::1",
            "::",
            "fe80::1",
            "fd00::1",
            "::ffff:127.0.0.1",
            "64:ff9b::a00:1",
            "2002:7f00:1::",
            "2001:db8::1",
        ] {
            assert!(!is_open(closed.parse().unwrap()), "{closed}");
        }
        for open in ["9.9.9.9", "172.32.0.1", "100.128.0.1", "2620:fe::9", "64:ff9b::909:909"] {
            assert!(is_open(open.parse().unwrap()), "{open}");
        }
        for (url, good) in [
            ("http://127.0.0.1:80/x", false),
            ("https://[::1]/", false),
            ("https://2130706433/", false),
            ("https://9.9.9.9/", true),
        ] {
            assert_eq!(ensure_open(&url.parse().unwrap()).is_ok(), good, "{url}");
        }
    }
}
