//! The client's address: the peer's, or where the peer is a proxy that is trusted, what that proxy says.
use std::net::IpAddr;

use axum::http::HeaderMap;
use ipnet::IpNet;

/// The address that a request comes from, as far as it is known. Every request carries it among its extensions.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct ClientAddress(pub Option<IpAddr>);

/// The networks of the proxies whose `X-Forwarded-For` is believed. None: nobody is believed, and the peer is the client.
#[derive(Clone, Debug, Default)]
pub struct TrustedProxies(Vec<IpNet>);

impl TrustedProxies {
    /// These networks.
    #[must_use]
    pub fn new(networks: Vec<IpNet>) -> Self {
        Self(networks)
    }
    fn trusts(&self, address: IpAddr) -> bool {
        self.0.iter().any(|network| network.contains(&address))
    }
    /// Whether what a peer says about a request may be believed.
    #[must_use]
    pub fn believes(&self, peer: Option<IpAddr>) -> bool {
        peer.is_some_and(|peer| self.trusts(peer.to_canonical()))
    }
    /// The client behind a peer. Each proxy adds at the right whom it was asked by, so the first one from the right that is no trusted proxy
    /// is the client; whatever stands further left the client may have invented.
    #[must_use]
    pub fn client(&self, peer: Option<IpAddr>, headers: &HeaderMap) -> ClientAddress {
        let Some(mut client) = peer.map(|peer| peer.to_canonical()) else { return ClientAddress(None) };
        let said = headers.get_all("x-forwarded-for").iter().filter_map(|value| value.to_str().ok()).flat_map(|value| value.split(','));
        let mut chain: Vec<&str> = said.map(str::trim).collect();
        while self.trusts(client) {
            let Some(before) = chain.pop().and_then(read) else { break };
            client = before;
        }
        ClientAddress(Some(client))
    }
}

/// An address with or without a port, as proxies write them.
fn read(text: &str) -> Option<IpAddr> {
    let with_port = || text.parse::<std::net::SocketAddr>().map(|address| address.ip());
    let bare = text.trim_start_matches('[').trim_end_matches(']');
    bare.parse::<IpAddr>().or_else(|_| with_port()).ok().map(|address| address.to_canonical())
}

/// A network, or a single address, as it stands in the configuration.
///
/// # Errors
/// What to give instead.
pub fn network(text: &str) -> Result<IpNet, String> {
    let single = || text.parse::<IpAddr>().map(IpNet::from);
    text.parse::<IpNet>().or_else(|_| single()).map_err(|_| "give the proxy's address or network, such as 10.0.0.5 or 10.0.0.0/8".into())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn client(trusted: &[&str], peer: &str, said: &[&str]) -> String {
        let trusted = TrustedProxies::new(trusted.iter().map(|text| network(text).unwrap()).collect());
        let mut headers = HeaderMap::new();
        for value in said {
            headers.append("x-forwarded-for", value.parse().unwrap());
        }
        trusted.client(Some(peer.parse().unwrap()), &headers).0.unwrap().to_string()
    }

    #[test]
    fn nobody_is_believed_unasked() {
        assert_eq!(client(&[], "192.0.2.1", &["198.51.100.7"]), "192.0.2.1");
        assert_eq!(client(&["10.0.0.0/8"], "192.0.2.1", &["198.51.100.7"]), "192.0.2.1");
    }
    #[test]
    fn the_first_from_the_right_that_is_no_proxy_is_the_client() {
        assert_eq!(client(&["127.0.0.1"], "127.0.0.1", &["198.51.100.7"]), "198.51.100.7");
        // What the client itself sent stands further left.
        assert_eq!(client(&["127.0.0.1"], "127.0.0.1", &["203.0.113.9, 198.51.100.7"]), "198.51.100.7");
        assert_eq!(client(&["10.0.0.0/8"], "10.0.0.2", &["203.0.113.9", "198.51.100.7, 10.0.0.9"]), "198.51.100.7");
        assert_eq!(client(&["::1"], "::1", &["[2001:db8::5]:4711"]), "2001:db8::5");
        assert_eq!(client(&["127.0.0.1"], "::ffff:127.0.0.1", &["198.51.100.7:80"]), "198.51.100.7");
    }
    #[test]
    fn nonsense_leaves_the_proxy_itself() {
        assert_eq!(client(&["127.0.0.1"], "127.0.0.1", &["unknown"]), "127.0.0.1");
        assert_eq!(client(&["127.0.0.1"], "127.0.0.1", &[]), "127.0.0.1");
        assert_eq!(TrustedProxies::default().client(None, &HeaderMap::new()), ClientAddress(None));
        assert!(network("proxy.example.org").is_err());
    }
}
