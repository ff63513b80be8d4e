//! What counts as one address.

use std::net::{IpAddr, Ipv6Addr};

/// Returns what an address is counted as: an IPv4 address by itself, of an IPv6 address the network of 64 bits, which
/// one household or server has to itself.
pub(crate) fn source(address: IpAddr) -> IpAddr {
    match address.to_canonical() {
        IpAddr::V6(v6) => IpAddr::V6(Ipv6Addr::from_bits(v6.to_bits() >> 64 << 64)),
        v4 => v4,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_ipv6_network_counts_as_one_and_a_mapped_ipv4_address_as_itself() {
        let counted = |text: &str| source(text.parse().unwrap());
        assert_eq!(counted("2001:db8::1"), counted("2001:db8::ffff:1:2"));
        assert_ne!(counted("2001:db8::1"), counted("2001:db8:0:1::1"));
        assert_eq!(counted("::ffff:192.0.2.7"), counted("192.0.2.7"));
        assert_ne!(counted("192.0.2.7"), counted("192.0.2.8"));
    }
}
