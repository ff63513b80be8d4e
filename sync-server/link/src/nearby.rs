//! Finding the devices of one crew on a network: multicast DNS (RFC 6762, RFC 6763).
//!
//! What is announced says nothing of anybody: a name that is random for each start, a port, a random number, and a tag
//! that is a keyed hash of that number. Devices with the same code know the tag for theirs; to others it is noise, and
//! the next start has another. An announcement is a hint where to knock and never trust: whoever is found must prove
//! that it has the code.

use std::collections::BTreeMap;
use std::net::{IpAddr, SocketAddr, SocketAddrV6};

use mdns_sd::{IfKind, Receiver, ResolvedService, ScopedIp, ServiceDaemon, ServiceEvent, ServiceInfo};

use crate::code::Code;
use crate::error::LinkError;
use crate::invitation::{hex, unhex};

/// The kind of service, as it is announced.
const SERVICE: &str = "_embertally._tcp.local.";
/// The most addresses of one device that are tried.
const MOST_ADDRESSES: usize = 8;

/// On which of this device's networks others are looked for.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
#[non_exhaustive]
pub enum Network {
    /// All.
    #[default]
    All,
    /// The one of this interface, by the system's name.
    Interface(String),
    /// Within this device only.
    Loopback,
}

/// How others are looked for.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Discovery {
    /// Where.
    pub network: Network,
    /// Another UDP port than 5353, for tests beside a system's own service.
    pub port: Option<u16>,
}

/// A device of the crew, or somebody who poses as one.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Found {
    pub(crate) name: String,
    pub(crate) addresses: Vec<SocketAddr>,
}

/// The announcement of this device, until it is dropped.
pub(crate) struct Announced {
    daemon: ServiceDaemon,
    pub(crate) name: String,
    full_name: String,
}

impl Drop for Announced {
    fn drop(&mut self) {
        // Without the farewell the others forget this device by themselves, only later.
        let _ = self.daemon.unregister(&self.full_name);
        let _ = self.daemon.shutdown();
    }
}

/// Returns the tag that devices with a code show beside a random number.
fn tag(code: &Code, number: &[u8; 8]) -> [u8; 8] {
    let hash = blake3::keyed_hash(&code.key("embertally nearby 1 tag"), number);
    let mut tag = [0; 8];
    tag.iter_mut().zip(hash.as_bytes()).for_each(|(to, from)| *to = *from);
    tag
}

fn failed(error: impl std::fmt::Display) -> LinkError {
    LinkError::Device { what: format!("look for others on this network: {error}") }
}

fn random<const N: usize>() -> Result<[u8; N], LinkError> {
    let mut bytes = [0; N];
    getrandom::fill(&mut bytes).map_err(failed)?;
    Ok(bytes)
}

/// Announces this device at the address that it listens on, and looks for others.
pub(crate) fn announce(
    code: &Code,
    listening: SocketAddr,
    how: &Discovery,
) -> Result<(Announced, Receiver<ServiceEvent>), LinkError> {
    let daemon = how.port.map_or_else(ServiceDaemon::new, ServiceDaemon::new_with_port).map_err(failed)?;
    let only = match &how.network {
        Network::All => None,
        Network::Interface(name) => Some(IfKind::Name(name.clone())),
        Network::Loopback => Some(IfKind::LoopbackV4),
    };
    if let Some(only) = only {
        daemon.disable_interface(IfKind::All).and_then(|()| daemon.enable_interface(only)).map_err(failed)?;
    }
    let (name, number) = (hex(&random::<8>()?), random::<8>()?);
    let properties = [("v", "1".to_owned()), ("n", hex(&number)), ("t", hex(&tag(code, &number)))];
    let host = format!("{name}.local.");
    let port = listening.port();
    let info = if listening.ip().is_unspecified() {
        ServiceInfo::new(SERVICE, &name, &host, "", port, &properties[..]).map(ServiceInfo::enable_addr_auto)
    } else {
        ServiceInfo::new(SERVICE, &name, &host, listening.ip(), port, &properties[..])
    };
    let info = info.map_err(failed)?;
    let full_name = info.get_fullname().to_owned();
    daemon.register(info).map_err(failed)?;
    let events = daemon.browse(SERVICE).map_err(failed)?;
    Ok((Announced { daemon, name, full_name }, events))
}

/// Returns what an event tells of another device with the same code.
pub(crate) fn found(event: &ServiceEvent, code: &Code, own: &str) -> Option<Found> {
    let ServiceEvent::ServiceResolved(service) = event else { return None };
    let name = service.fullname.strip_suffix(SERVICE)?.strip_suffix('.')?.to_owned();
    // A name is what this program makes: it is shown, so nothing else may pass.
    unhex::<8>(&name)?;
    let number = unhex(service.get_property_val_str("n")?)?;
    let shown: [u8; 8] = unhex(service.get_property_val_str("t")?)?;
    if name == own || shown != tag(code, &number) {
        return None;
    }
    let addresses = addresses(service);
    (!addresses.is_empty()).then_some(Found { name, addresses })
}

/// Returns where a device listens, IPv4 first: of one that has both, it answers sooner on most sites' networks.
fn addresses(service: &ResolvedService) -> Vec<SocketAddr> {
    let mut sorted = BTreeMap::new();
    for address in service.get_addresses() {
        let socket = match address {
            ScopedIp::V6(v6) => SocketAddr::V6(SocketAddrV6::new(*v6.addr(), service.port, 0, v6.scope_id().index)),
            other => SocketAddr::new(other.to_ip_addr(), service.port),
        };
        let is_usable = service.port != 0 && !socket.ip().is_unspecified() && !socket.ip().is_multicast();
        if is_usable {
            sorted.insert((matches!(socket.ip(), IpAddr::V6(_)), socket), socket);
        }
    }
    sorted.into_values().take(MOST_ADDRESSES).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_tag_is_of_one_code_and_one_number() {
        let (one, two) = (Code::from_random([1; 24]), Code::from_random([2; 24]));
        assert_eq!(tag(&one, &[1; 8]), tag(&one, &[1; 8]));
        assert_ne!(tag(&one, &[1; 8]), tag(&one, &[2; 8]));
        assert_ne!(tag(&one, &[1; 8]), tag(&two, &[1; 8]));
    }
}
