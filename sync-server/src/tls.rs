//! The certificate: made and kept, or given; and how devices find the server by it.

use std::fs;
use std::io::Write as _;
use std::net::SocketAddr;
use std::path::Path;
use std::sync::{Arc, Mutex, PoisonError, RwLock};

use rustls::ServerConfig;
use rustls::pki_types::pem::PemObject;
use rustls::pki_types::{CertificateDer, PrivateKeyDer};
use sha2::{Digest, Sha256};
use tokio_rustls::TlsAcceptor;

use crate::config::{Config, Files, Tls};
use crate::error::ServerError;
use crate::ids::{CrewId, hex};

const CERTIFICATE: &str = "certificate.pem";
const KEY: &str = "key.pem";

/// A certificate ready for use.
#[derive(Clone)]
pub(crate) struct Ready {
    pub(crate) acceptor: TlsAcceptor,
    /// SHA-256 of the server's own certificate, as hexadecimal digits.
    pub(crate) fingerprint: String,
}

/// The certificate in use. Files that were given are looked at again while the server runs: certificates of the web run
/// out every few weeks, and nobody should have to end conversations for that.
pub(crate) struct Current {
    ready: RwLock<Ready>,
    files: Option<Files>,
    /// A hash of the files' bytes when they were last looked at.
    seen: Mutex<Option<blake3::Hash>>,
}

impl Current {
    /// Makes TLS ready as configured; `None` where there is none.
    pub(crate) fn new(config: &Config) -> Result<Option<Self>, ServerError> {
        let files = if let Tls::Files(files) = &config.tls { Some(files.clone()) } else { None };
        // Hashed first: what is written between the two is looked at once more.
        let seen = Mutex::new(files.as_ref().and_then(|files| hash(files).ok()));
        Ok(ready(config)?.map(|ready| Self { ready: RwLock::new(ready), files, seen }))
    }

    pub(crate) fn ready(&self) -> Ready {
        self.ready.read().unwrap_or_else(PoisonError::into_inner).clone()
    }

    /// Tells whether it was read from files that may be replaced.
    pub(crate) fn has_files(&self) -> bool {
        self.files.is_some()
    }

    /// Looks at the files; returns the new certificate's fingerprint where another one is used from now on. A pair that
    /// cannot be used (one of two files is written already) changes nothing, and is said once.
    ///
    /// # Errors
    /// [`ServerError::Certificate`].
    pub(crate) fn look(&self) -> Result<Option<String>, ServerError> {
        let Some(files) = &self.files else { return Ok(None) };
        // A file that is not there for a moment is being replaced.
        let Ok(now) = hash(files) else { return Ok(None) };
        let before = self.seen.lock().unwrap_or_else(PoisonError::into_inner).replace(now);
        if before == Some(now) {
            return Ok(None);
        }
        let ready = read(&files.certificate, &files.key)?;
        let fingerprint = ready.fingerprint.clone();
        *self.ready.write().unwrap_or_else(PoisonError::into_inner) = ready;
        Ok(Some(fingerprint))
    }
}

fn hash(files: &Files) -> std::io::Result<blake3::Hash> {
    let mut hasher = blake3::Hasher::new();
    hasher.update(blake3::hash(&fs::read(&files.certificate)?).as_bytes());
    hasher.update(blake3::hash(&fs::read(&files.key)?).as_bytes());
    Ok(hasher.finalize())
}

fn wrong(path: &Path, error: impl ToString) -> ServerError {
    ServerError::Certificate { path: path.to_owned(), reason: error.to_string() }
}

fn ready(config: &Config) -> Result<Option<Ready>, ServerError> {
    match &config.tls {
        Tls::Plain if config.listen.ip().is_loopback() => Ok(None),
        Tls::Plain => Err(ServerError::PlainOutside { address: config.listen }),
        Tls::Files(Files { certificate, key, .. }) => read(certificate, key).map(Some),
        Tls::SelfMade => {
            let folder = config.data.join("tls");
            let (certificate, key) = (folder.join(CERTIFICATE), folder.join(KEY));
            if !certificate.exists() {
                make(&folder, &config.names)?;
            }
            read(&certificate, &key).map(Some)
        }
    }
}

/// Makes a certificate for its names and for this machine. Devices know it by its hash, so it never runs out: it is
/// replaced by removing it, after which every device needs a new invitation.
fn make(folder: &Path, names: &[String]) -> Result<(), ServerError> {
    let mut all: Vec<String> = names.iter().map(|n| host(n).to_owned()).collect();
    all.extend(["localhost", "127.0.0.1", "::1"].map(str::to_owned));
    all.dedup();
    let made = rcgen::generate_simple_self_signed(all).map_err(|e| wrong(folder, e))?;
    private_folder(folder).map_err(|e| wrong(folder, e))?;
    // The key first: a certificate without its key would be taken for a finished pair at the next start.
    write_private(&folder.join(KEY), made.signing_key.serialize_pem().as_bytes()).map_err(|e| wrong(folder, e))?;
    write_private(&folder.join(CERTIFICATE), made.cert.pem().as_bytes()).map_err(|e| wrong(folder, e))
}

/// Makes a folder that only its owner can look into.
pub(crate) fn private_folder(folder: &Path) -> std::io::Result<()> {
    let mut builder = fs::DirBuilder::new();
    builder.recursive(true);
    #[cfg(unix)]
    std::os::unix::fs::DirBuilderExt::mode(&mut builder, 0o700);
    builder.create(folder)
}

/// Writes a file that only its owner can read, whole or not at all.
fn write_private(path: &Path, bytes: &[u8]) -> std::io::Result<()> {
    let part = path.with_extension("part");
    let mut options = fs::OpenOptions::new();
    options.write(true).create(true).truncate(true);
    #[cfg(unix)]
    std::os::unix::fs::OpenOptionsExt::mode(&mut options, 0o600);
    let mut file = options.open(&part)?;
    file.write_all(bytes)?;
    file.sync_all()?;
    fs::rename(&part, path)
}

fn read(certificate: &Path, key: &Path) -> Result<Ready, ServerError> {
    let chain: Vec<CertificateDer<'static>> =
        CertificateDer::pem_file_iter(certificate).and_then(Iterator::collect).map_err(|e| wrong(certificate, e))?;
    let Some(own) = chain.first() else { return Err(wrong(certificate, "there is no certificate in it")) };
    let fingerprint = hex(&Sha256::digest(own));
    let private = PrivateKeyDer::from_pem_file(key).map_err(|e| wrong(key, e))?;
    let mut config = ServerConfig::builder_with_provider(Arc::new(rustls::crypto::ring::default_provider()))
        .with_safe_default_protocol_versions()
        .map_err(|e| wrong(certificate, e))?
        .with_no_client_auth()
        .with_single_cert(chain, private)
        .map_err(|e| wrong(certificate, e))?;
    config.alpn_protocols = vec![b"http/1.1".to_vec()];
    // One is enough for a device that comes back; each costs memory here.
    config.send_tls13_tickets = 1;
    Ok(Ready { acceptor: TlsAcceptor::from(Arc::new(config)), fingerprint })
}

/// Returns the host of `HOST` or `HOST:PORT`; an IPv6 address has brackets where a port follows.
fn host(name: &str) -> &str {
    if let Some((host, _)) = name.strip_prefix('[').and_then(|rest| rest.split_once(']')) {
        return host;
    }
    match name.split_once(':') {
        Some((host, port)) if !port.contains(':') => host,
        _ => name,
    }
}

/// Where devices find this server.
#[derive(Debug)]
pub(crate) struct Place {
    /// `HOST:PORT`, in the order in which they are to be tried.
    addresses: Vec<String>,
    pin: RwLock<String>,
    /// Whether browsers may be told to insist on TLS here.
    pub(crate) publicly_trusted: bool,
    /// Whether this server does TLS itself.
    pub(crate) tls: bool,
}

impl Place {
    pub(crate) fn new(config: &Config, listening: SocketAddr, fingerprint: Option<&str>) -> Self {
        let publicly_trusted = match &config.tls {
            Tls::SelfMade => false,
            Tls::Files(files) => files.publicly_trusted,
            // Whatever stands in front has the certificate.
            Tls::Plain => true,
        };
        let whole = |name: &String| {
            let host = host(name);
            let shown = if host.contains(':') { format!("[{host}]") } else { host.to_owned() };
            if name.len() > shown.len() { name.clone() } else { format!("{shown}:{}", listening.port()) }
        };
        let mut addresses: Vec<String> = config.names.iter().map(whole).collect();
        if addresses.is_empty() {
            addresses.push(listening.to_string());
        }
        let pin = fingerprint.filter(|_| !publicly_trusted).unwrap_or("web").to_owned();
        let pin = RwLock::new(pin);
        Self { addresses, pin, publicly_trusted, tls: !matches!(config.tls, Tls::Plain) }
    }

    /// From now on another certificate is shown.
    pub(crate) fn shows(&self, fingerprint: &str) {
        if !self.publicly_trusted {
            fingerprint.clone_into(&mut self.pin.write().unwrap_or_else(PoisonError::into_inner));
        }
    }

    /// Returns what a device may know this server by when it proves at which crew's it is (`Visit::place`).
    pub(crate) fn known_by(&self) -> Vec<String> {
        let pin = self.pin.read().unwrap_or_else(PoisonError::into_inner);
        match pin.as_str() {
            "web" => self.addresses.iter().map(|a| format!("web {}", a.to_ascii_lowercase())).collect(),
            pin => vec![format!("pin {pin}")],
        }
    }

    /// Writes an invitation (see `Invitation` in embertally-link). Everything secret is in the fragment, which is never
    /// sent to a server and so never stands in a log.
    pub(crate) fn invitation(&self, crew: CrewId, secret: &str) -> String {
        let mut addresses = self.addresses.iter();
        let first = addresses.next().map_or("", String::as_str);
        let also: String = addresses.map(|address| format!("&also={address}")).collect();
        let pin = self.pin.read().unwrap_or_else(PoisonError::into_inner);
        format!("https://{first}/#crew={crew}&token={secret}&pin={pin}{also}")
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_with_and_without_a_port_become_addresses() {
        let mut config = Config::new("/nowhere");
        config.names = ["log.example", "log.example:443", "192.0.2.7", "2001:db8::7", "[2001:db8::7]:443"]
            .map(str::to_owned)
            .to_vec();
        let place = Place::new(&config, "127.0.0.1:7443".parse().unwrap(), Some("ab"));
        let wanted =
            ["log.example:7443", "log.example:443", "192.0.2.7:7443", "[2001:db8::7]:7443", "[2001:db8::7]:443"];
        assert_eq!(place.addresses, wanted);
        config.names.clear();
        assert_eq!(Place::new(&config, "127.0.0.1:7443".parse().unwrap(), None).addresses, ["127.0.0.1:7443"]);
    }
}
