//! Where a request came from, as far as that can be believed.
//!
//! Promises: only what a proxy the operator named has written is believed. Each proxy writes on the right the address
//! it was called from, so the list is read from the right: the first address that is none of the named proxies is the
//! caller, and whatever stands left of it is that caller's own claim. What cannot be read ends the search: the last
//! address that was believed counts.
//!
//! Never: a header from anyone else, nor the header that the operator did not name. A proxy passes on untouched what
//! it does not write itself.

use actix_web::HttpRequest;
use actix_web::http::header::{FORWARDED, HeaderMap, HeaderName};
use std::fmt;
use std::net::{IpAddr, Ipv4Addr, SocketAddr};
use std::str::FromStr;

/// A network in CIDR form: `10.0.0.0/8`, `2001:db8::/32`, or one address.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Network {
    base: IpAddr,
    bits: u32,
}

impl Network {
    /// Whether an address lies in it.
    #[must_use]
    pub fn holds(&self, address: IpAddr) -> bool {
        let shift = |width: u32| width - self.bits;
        match (self.base, address.to_canonical()) {
            (IpAddr::V4(base), IpAddr::V4(address)) => {
                let differs = base.to_bits() ^ address.to_bits();
                differs.checked_shr(shift(32)).unwrap_or(0) == 0
            }
            (IpAddr::V6(base), IpAddr::V6(address)) => {
                let differs = base.to_bits() ^ address.to_bits();
                differs.checked_shr(shift(128)).unwrap_or(0) == 0
            }
            _ => false,
        }
    }
}

impl FromStr for Network {
    type Err = String;

    fn from_str(text: &str) -> Result<Self, String> {
        let form = || format!("{text:?} is no network; one is 10.0.0.0/8, 2001:db8::/32 or one address");
        let (base, bits) = text.split_once('/').map_or((text, None), |(base, bits)| (base, Some(bits)));
        let base: IpAddr = base.parse().map_err(|_| form())?;
        let base = base.to_canonical();
        let width = if base.is_ipv4() { 32 } else { 128 };
        let bits = bits.map_or(Ok(width), str::parse).map_err(|_| form())?;
        let network = Self { base, bits };
        if bits > width {
            return Err(form());
        }
        let whole = match base {
            IpAddr::V4(v4) => v4.to_bits().checked_shl(bits).unwrap_or(0) == 0,
            IpAddr::V6(v6) => v6.to_bits().checked_shl(bits).unwrap_or(0) == 0,
        };
        if whole { Ok(network) } else { Err(format!("{text:?} has bits beyond its first {bits}; write the network")) }
    }
}

impl fmt::Display for Network {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}/{}", self.base, self.bits)
    }
}

/// The header in which the operator's proxy says for whom it asks.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, clap::ValueEnum)]
pub enum ProxyHeader {
    /// `X-Forwarded-For`, which most proxies write.
    #[default]
    XForwardedFor,
    /// `Forwarded` (RFC 7239).
    Forwarded,
}

/// The proxies in front of the server.
#[derive(Debug, Clone, Default)]
pub struct Proxies {
    /// Where they are; nobody else is believed.
    pub networks: Vec<Network>,
    /// Where they write.
    pub header: ProxyHeader,
}

impl Proxies {
    pub(crate) fn named(&self, address: IpAddr) -> bool {
        self.networks.iter().any(|network| network.holds(address))
    }

    /// The address a request counts for.
    #[must_use]
    pub(super) fn source(&self, request: &HttpRequest) -> IpAddr {
        // A request without an address comes from a test or a socket file: from this machine.
        let peer = request.peer_addr().map_or(IpAddr::V4(Ipv4Addr::LOCALHOST), |address| address.ip());
        self.behind(peer.to_canonical(), request.headers())
    }

    fn behind(&self, peer: IpAddr, headers: &HeaderMap) -> IpAddr {
        if !self.named(peer) {
            return peer;
        }
        let (name, read): (_, fn(&str) -> Option<IpAddr>) = match self.header {
            ProxyHeader::XForwardedFor => (HeaderName::from_static("x-forwarded-for"), node),
            ProxyHeader::Forwarded => (FORWARDED, forwarded_for),
        };
        let lines: Vec<&str> = headers.get_all(name).map(|value| value.to_str().unwrap_or("?")).collect();
        let mut believed = peer;
        for element in lines.iter().rev().flat_map(|line| line.rsplit(',')) {
            match read(element.trim()) {
                Some(address) => believed = address,
                None => break,
            }
            if !self.named(believed) {
                break;
            }
        }
        believed
    }
}

/// An address, with or without a port.
fn node(text: &str) -> Option<IpAddr> {
    let bare = text.strip_prefix('[').and_then(|text| text.strip_suffix(']')).unwrap_or(text);
    let address = bare.parse().ok().or_else(|| text.parse::<SocketAddr>().ok().map(|socket| socket.ip()))?;
    Some(address.to_canonical())
}

/// The `for` of one element of `Forwarded`. A quoted text with a comma in it is cut apart before it comes here; no
/// address has one, so that its pieces are none.
fn forwarded_for(element: &str) -> Option<IpAddr> {
    let mut found = element.split(';').filter_map(|pair| {
        let (name, value) = pair.split_once('=')?;
        name.trim().eq_ignore_ascii_case("for").then_some(value.trim())
    });
    let (value, None) = (found.next()?, found.next()) else { return None };
    node(value.strip_prefix('"').and_then(|value| value.strip_suffix('"')).unwrap_or(value))
}

#[cfg(test)]
mod tests {
    use super::*;
    use actix_web::http::header::HeaderValue;

    fn proxies(header: ProxyHeader) -> Proxies {
        let networks = ["10.0.0.0/8", "127.0.0.1", "2001:db8:1::/48"];
        Proxies { networks: networks.iter().map(|text| text.parse().expect("a network")).collect(), header }
    }

    fn source(proxies: &Proxies, peer: &str, lines: &[(&'static str, &str)]) -> String {
        let mut headers = HeaderMap::new();
        for (name, value) in lines {
            headers.append(HeaderName::from_static(name), HeaderValue::from_str(value).expect("a value"));
        }
        proxies.behind(peer.parse().expect("an address"), &headers).to_string()
    }

    #[test]
    fn only_a_named_proxy_is_believed() {
        let x = |peer, value| source(&proxies(ProxyHeader::XForwardedFor), peer, &[("x-forwarded-for", value)]);
        assert_eq!(x("10.1.2.3", "203.0.113.9"), "203.0.113.9");
        assert_eq!(x("203.0.113.66", "203.0.113.9"), "203.0.113.66", "a stranger's claim");
        assert_eq!(source(&proxies(ProxyHeader::default()), "10.1.2.3", &[]), "10.1.2.3");
        assert_eq!(source(&Proxies::default(), "127.0.0.1", &[("x-forwarded-for", "203.0.113.9")]), "127.0.0.1");
    }

    #[test]
    fn the_rightmost_address_that_is_no_proxy_is_the_caller() {
        let x = |value| source(&proxies(ProxyHeader::XForwardedFor), "10.1.2.3", &[("x-forwarded-for", value)]);
        // What the caller itself sent stands on the left of what the proxy added.
        assert_eq!(x("198.51.100.1, 203.0.113.9"), "203.0.113.9");
        assert_eq!(x("127.0.0.1, 203.0.113.9"), "203.0.113.9");
        assert_eq!(x("203.0.113.9, 10.9.9.9"), "203.0.113.9", "two proxies in a row");
        assert_eq!(x("10.9.9.9, 10.8.8.8"), "10.9.9.9", "a caller inside");
        assert_eq!(x("198.51.100.1, ::ffff:203.0.113.9"), "203.0.113.9");
        assert_eq!(x("198.51.100.1, 203.0.113.9:4711"), "203.0.113.9");
        assert_eq!(x("198.51.100.1, [2001:db8:2::7]:4711"), "2001:db8:2::7");
        for unreadable in ["", "unknown", "198.51.100.1, unknown", "198.51.100.1,", "a\tb", "1.2.3", "1.2.3.4.5"] {
            assert_eq!(x(unreadable), "10.1.2.3", "{unreadable:?}");
        }
    }

    #[test]
    fn several_lines_are_one_list() {
        let lines = [("x-forwarded-for", "203.0.113.9"), ("x-forwarded-for", "198.51.100.1, 10.9.9.9")];
        assert_eq!(source(&proxies(ProxyHeader::XForwardedFor), "10.1.2.3", &lines), "198.51.100.1");
    }

    #[test]
    fn the_header_that_was_not_named_is_the_callers_own() {
        let spoofed = [("forwarded", "for=198.51.100.1"), ("x-forwarded-for", "203.0.113.9")];
        assert_eq!(source(&proxies(ProxyHeader::XForwardedFor), "10.1.2.3", &spoofed), "203.0.113.9");
        let spoofed = [("forwarded", "for=203.0.113.9"), ("x-forwarded-for", "198.51.100.1")];
        assert_eq!(source(&proxies(ProxyHeader::Forwarded), "10.1.2.3", &spoofed), "203.0.113.9");
    }

    #[test]
    fn forwarded_is_read_as_rfc_7239_writes_it() {
        let f = |value| source(&proxies(ProxyHeader::Forwarded), "10.1.2.3", &[("forwarded", value)]);
        assert_eq!(f("for=198.51.100.1, for=203.0.113.9;proto=https;by=10.1.2.3"), "203.0.113.9");
        assert_eq!(f("For=\"[2001:db8:2::7]:4711\""), "2001:db8:2::7");
        assert_eq!(f("proto=https; for=203.0.113.9"), "203.0.113.9");
        assert_eq!(f("for=203.0.113.9, for=\"[2001:db8:1::7]\""), "203.0.113.9");
        for unreadable in
            ["for=_hidden", "for=unknown", "proto=https", "for=203.0.113.9;for=198.51.100.1", "for=\"203.0.113.9, x\""]
        {
            assert_eq!(f(unreadable), "10.1.2.3", "{unreadable:?}");
        }
    }

    #[test]
    fn a_network_holds_its_own_and_no_other() {
        let holds = |network: &str, address: &str| {
            network.parse::<Network>().expect(network).holds(address.parse().expect(address))
        };
        assert!(holds("10.0.0.0/8", "10.255.255.255") && !holds("10.0.0.0/8", "11.0.0.0"));
        assert!(holds("0.0.0.0/0", "203.0.113.9") && !holds("0.0.0.0/0", "2001:db8::1"));
        assert!(holds("::/0", "2001:db8::1") && !holds("::/0", "203.0.113.9"));
        assert!(holds("2001:db8::/33", "2001:db8:7fff::") && !holds("2001:db8::/33", "2001:db8:8000::"));
        assert!(holds("192.0.2.1", "::ffff:192.0.2.1") && !holds("192.0.2.1", "192.0.2.2"));
        for bad in ["", "10.0.0.0/33", "10.0.0.1/8", "::1/129", "10.0.0.0/-1", "10.0.0.0/8/8", "proxy", "10.0.0.0/"] {
            assert!(bad.parse::<Network>().is_err(), "{bad}");
        }
        assert_eq!("10.0.0.0/8".parse::<Network>().map(|network| network.to_string()).as_deref(), Ok("10.0.0.0/8"));
    }
}
