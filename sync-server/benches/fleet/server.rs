//! The server in a process of its own, so that its memory can be told from the devices'.

use std::io::{BufRead, BufReader, Write};
use std::net::SocketAddr;
use std::path::Path;
use std::process::{Child, Command, Stdio};
use std::sync::Arc;

use embertally_server::access::Role;
use embertally_server::{Config, Server};
use rustls::pki_types::CertificateDer;
use rustls::pki_types::pem::PemObject;
use rustls::{ClientConfig, RootCertStore};
use tokio_rustls::TlsConnector;

const FOLDER: &str = "EMBERTALLY_FLEET_FOLDER";
const CREWS: &str = "EMBERTALLY_FLEET_CREWS";

/// Up to so many crews the usual limits of an address will do.
const MANY: usize = 39;

/// As in `examples/server/embertally.service`; set it to something else to measure without.
const TUNABLES: (&str, &str) =
    ("GLIBC_TUNABLES", "glibc.malloc.mmap_threshold=32768:glibc.malloc.trim_threshold=65536");

pub(crate) fn is_child() -> bool {
    std::env::var_os(FOLDER).is_some()
}

/// Is the server, until whoever started it is gone.
pub(crate) fn serve() {
    let mut config = Config::new(std::env::var_os(FOLDER).expect("a folder"));
    let crews: usize = std::env::var(CREWS).ok().and_then(|n| n.parse().ok()).unwrap_or(1);
    config.listen = SocketAddr::from(([127, 0, 0, 1], 0));
    if crews > MANY {
        // All devices come from one address here.
        config.limits.connections = 10_000;
        config.limits.connections_per_address = 10_000;
        config.limits.joins_at_once = 20_000;
    }
    tokio::runtime::Runtime::new().expect("a runtime").block_on(async {
        let server = Server::start(config).await.expect("a server");
        let access = server.access();
        for n in access.crews().len()..crews {
            access.make_crew(&format!("Crew {n}")).expect("a crew");
        }
        let tokens = access.crews().into_iter().map(|crew| {
            let (_, secret) = access.make_token(Some(crew.id), Role::Writer, "fleet").expect("a token");
            format!("{}={secret}", crew.id)
        });
        let tokens: Vec<String> = tokens.collect();
        println!("listening {} {}", server.address, tokens.join(" "));
        std::io::stdout().flush().expect("somebody listens");
        let _ = tokio::task::spawn_blocking(|| std::io::stdin().lines().count()).await;
        std::process::exit(0);
    });
}

pub(crate) struct ServerProcess {
    child: Child,
    pub(crate) way: Way,
    /// A crew's id and a writer's token, for each crew.
    pub(crate) crews: Vec<(String, String)>,
}

/// The way to a server.
#[derive(Clone)]
pub(crate) struct Way {
    pub(crate) address: SocketAddr,
    pub(crate) tls: TlsConnector,
}

impl Way {
    /// To the server that keeps everything in this folder.
    pub(crate) fn to(address: SocketAddr, folder: &Path) -> Self {
        let mut roots = RootCertStore::empty();
        roots
            .add(CertificateDer::from_pem_file(folder.join("tls/certificate.pem")).expect("a certificate"))
            .expect("a root");
        let client = ClientConfig::builder_with_provider(Arc::new(rustls::crypto::ring::default_provider()))
            .with_safe_default_protocol_versions()
            .expect("TLS")
            .with_root_certificates(roots)
            .with_no_client_auth();
        Self { address, tls: TlsConnector::from(Arc::new(client)) }
    }
}

impl ServerProcess {
    pub(crate) fn start(folder: &Path, crews: usize) -> Self {
        let mut child = Command::new(std::env::current_exe().expect("this program"))
            .env(FOLDER, folder)
            .env(CREWS, crews.to_string())
            .env(TUNABLES.0, std::env::var(TUNABLES.0).unwrap_or_else(|_| TUNABLES.1.to_owned()))
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .spawn()
            .expect("a child");
        let mut lines = BufReader::new(child.stdout.take().expect("its output")).lines();
        let line = lines.next().expect("its address").expect("text");
        let mut words = line.split(' ').skip(1);
        let address = words.next().expect("an address").parse().expect("an address");
        let pair = |word: &str| word.split_once('=').map(|(a, b)| (a.to_owned(), b.to_owned()));
        let crews = words.filter_map(pair).collect();
        Self { child, way: Way::to(address, folder), crews }
    }

    /// Returns the memory that it has in use, in kB.
    pub(crate) fn memory_kb(&self) -> u64 {
        let status = std::fs::read_to_string(format!("/proc/{}/status", self.child.id())).unwrap_or_default();
        let line = status.lines().find_map(|l| l.strip_prefix("VmRSS:"));
        line.and_then(|l| l.split_whitespace().next()?.parse().ok()).unwrap_or(0)
    }

    /// Returns the processor time that it has used, in seconds.
    pub(crate) fn processor_s(&self) -> f64 {
        let stat = std::fs::read_to_string(format!("/proc/{}/stat", self.child.id())).unwrap_or_default();
        // Fields 14 and 15 of proc(5), in ticks of 10 ms; the name before them may hold spaces.
        let after = stat.rsplit_once(')').map_or("", |(_, rest)| rest);
        let ticks: u64 = after.split_whitespace().skip(11).take(2).filter_map(|t| t.parse::<u64>().ok()).sum();
        ticks as f64 / 100.0
    }
}

impl Drop for ServerProcess {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}
