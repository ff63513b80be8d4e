//! The HTTP part, and TLS around it.

use std::sync::Arc;

use embertally_link::{Invitation, Trust, unhex};
use embertally_server::{OPENAPI, Server, Tls};
use rustls::pki_types::pem::PemObject;
use rustls::pki_types::{CertificateDer, ServerName};
use rustls::{ClientConfig, RootCertStore};
use sha2::{Digest, Sha256};
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::TcpStream;
use tokio_rustls::TlsConnector;

use crate::rig::{Rig, config, request};

#[tokio::test(flavor = "multi_thread")]
async fn it_says_that_it_is_well_what_it_counted_and_what_it_offers() {
    let rig = Rig::new().await;
    let health = rig.get("/healthz", "").await;
    assert_eq!((health.status, health.text()), (200, r#"{"status":"ok"}"#));
    assert_eq!(rig.get("/readyz", "").await.json()["status"], "ready");
    assert_eq!(rig.get("/api/openapi.json", "").await.text(), OPENAPI);
    for header in [
        "x-content-type-options: nosniff",
        "cache-control: no-store",
        "content-security-policy: default-src 'none'",
        "x-request-id: ",
    ] {
        assert!(health.head.contains(header), "{header} in {}", health.head);
    }
    let metrics = rig.get("/metrics", "").await;
    assert!(
        metrics.text().contains("embertally_requests_total{route=\"/healthz\",status=\"200\"} 1\n"),
        "{}",
        metrics.text()
    );
    // Every line is a comment or a name, labels and a number.
    for line in metrics.text().lines().filter(|l| !l.starts_with('#')) {
        assert!(line.rsplit_once(' ').is_some_and(|(_, n)| n.parse::<f64>().is_ok()), "{line}");
    }
    assert_eq!(rig.get("/metrics", &rig.admin).await.status, 200);
    let (_, token) = rig.crew("Crew A");
    assert_eq!(rig.get("/metrics", &token).await.status, 403);
}

#[tokio::test(flavor = "multi_thread")]
async fn behind_a_proxy_the_metrics_need_a_token() {
    let rig = Rig::new().await;
    let mut stream = TcpStream::connect(rig.address()).await.unwrap();
    stream
        .write_all(b"GET /metrics HTTP/1.1\r\nhost: x\r\nconnection: close\r\nx-forwarded-for: 192.0.2.7\r\n\r\n")
        .await
        .unwrap();
    let mut said = String::new();
    stream.read_to_string(&mut said).await.unwrap();
    assert!(said.starts_with("HTTP/1.1 401"), "{said}");
}

#[tokio::test(flavor = "multi_thread")]
async fn every_refusal_is_problem_json_with_a_stable_code() {
    let rig = Rig::new().await;
    let (crew, token) = rig.crew("Crew A");
    let none = "0".repeat(32);
    let base = "/api/v1/crews";
    let cases = [
        ("GET", "/nothing".to_owned(), "", "", 404, "E_SERVER_NOT_FOUND"),
        ("DELETE", base.to_owned(), rig.admin.as_str(), "", 405, "E_USAGE"),
        ("GET", base.to_owned(), "", "", 401, "E_SERVER_NO_TOKEN"),
        ("GET", base.to_owned(), "wrong", "", 401, "E_SERVER_TOKEN"),
        ("GET", base.to_owned(), &token, "", 403, "E_SERVER_FORBIDDEN"),
        ("POST", base.to_owned(), &rig.admin, "{", 400, "E_USAGE"),
        ("POST", base.to_owned(), &rig.admin, r#"{"title":""}"#, 400, "E_USAGE"),
        ("POST", base.to_owned(), &rig.admin, r#"{"title":"a\nb"}"#, 400, "E_USAGE"),
        ("POST", base.to_owned(), &rig.admin, r#"{"title":"a","more":1}"#, 400, "E_USAGE"),
        ("GET", format!("{base}/{none}"), &rig.admin, "", 404, "E_SERVER_NOT_FOUND"),
        ("GET", format!("{base}/..%2f..%2fetc"), &rig.admin, "", 404, "E_SERVER_NOT_FOUND"),
        ("GET", format!("{base}/{crew}/rates?by=nothing"), &token, "", 400, "E_USAGE"),
        ("GET", format!("{base}/{crew}/rates?level=2"), &token, "", 400, "E_USAGE"),
        ("GET", format!("{base}/{crew}/rates?level=NaN"), &token, "", 400, "E_USAGE"),
        ("GET", format!("{base}/{crew}/rates?interal=exact"), &token, "", 400, "E_USAGE"),
        ("GET", format!("{base}/{crew}/rates?by=lot&by=fuse"), &token, "", 400, "E_USAGE"),
        ("GET", format!("{base}/{crew}/rates?where=lot=nothing"), &token, "", 404, "E_NO_SUCH_NAME"),
        ("GET", format!("{base}/{crew}/export?format=xml"), &token, "", 400, "E_USAGE"),
        ("POST", format!("{base}/{crew}/tokens"), &rig.admin, r#"{"role":"admin","label":"x"}"#, 400, "E_USAGE"),
        ("DELETE", format!("{base}/{crew}/tokens/0123456789abcdef"), &rig.admin, "", 404, "E_SERVER_NOT_FOUND"),
    ];
    for (method, path, token, body, status, code) in cases {
        let answer = request(rig.address(), method, &path, token, body).await;
        assert_eq!((answer.status, answer.code().as_str()), (status, code), "{method} {path} {body}: {answer:?}");
        assert_eq!(answer.json()["status"], status);
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn crews_are_made_and_listed() {
    let rig = Rig::new().await;
    let made = rig.post("/api/v1/crews", &rig.admin, r#"{"title":"North Field"}"#).await;
    assert_eq!(made.status, 201);
    let listed = rig.get("/api/v1/crews", &rig.admin).await.json();
    assert_eq!(listed["crews"][0], made.json());
    assert_eq!(listed["crews"][0]["title"], "North Field");
    let one = rig.get(&format!("/api/v1/crews/{}", made.json()["id"].as_str().unwrap()), &rig.admin).await.json();
    assert_eq!((one["entries"].as_u64(), one["documents"].as_array().map(Vec::len)), (Some(0), Some(0)));
}

#[tokio::test(flavor = "multi_thread")]
async fn tls_is_by_a_certificate_of_its_own_that_stays_the_same() {
    let folder = tempfile::tempdir().unwrap();
    let with_tls = || {
        let mut config = config(folder.path());
        config.tls = Tls::SelfMade;
        config.names = vec!["log.example".to_owned()];
        config
    };
    let first = Server::start(with_tls()).await.unwrap();
    let (fingerprint, admin) = (first.fingerprint.clone().unwrap(), first.admin_token.clone().unwrap());
    let (crew, invitation) = first.invite("Crew A").unwrap();
    assert!(invitation.contains(&format!("&pin={fingerprint}")) && invitation.starts_with("https://log.example:"));
    // As a device reads it.
    let read: Invitation = invitation.parse().unwrap();
    assert_eq!((&read.crew, read.trust), (crew.as_bytes(), Trust::Pin(unhex(&fingerprint).unwrap())));
    assert_eq!((read.addresses[0].host(), read.addresses[0].port()), ("log.example", first.address.port()));
    assert_eq!(read.reveal(), invitation);
    first.shutdown().await;
    let again = Server::start(with_tls()).await.unwrap();
    assert_eq!(again.fingerprint.as_ref(), Some(&fingerprint));
    assert_eq!(again.admin_token, None, "only at the first start");

    let certificate = CertificateDer::from_pem_file(folder.path().join("tls/certificate.pem")).unwrap();
    assert_eq!(Sha256::digest(&certificate).iter().map(|b| format!("{b:02x}")).collect::<String>(), fingerprint);
    let mut roots = RootCertStore::empty();
    roots.add(certificate).unwrap();
    let client = ClientConfig::builder_with_provider(Arc::new(rustls::crypto::ring::default_provider()))
        .with_safe_default_protocol_versions()
        .unwrap()
        .with_root_certificates(roots)
        .with_no_client_auth();
    let stream = TcpStream::connect(again.address).await.unwrap();
    let name = ServerName::try_from("log.example").unwrap();
    let mut line = TlsConnector::from(Arc::new(client)).connect(name, stream).await.unwrap();
    let asked =
        format!("GET /api/v1/crews HTTP/1.1\r\nhost: x\r\nauthorization: Bearer {admin}\r\nconnection: close\r\n\r\n");
    line.write_all(asked.as_bytes()).await.unwrap();
    let mut said = String::new();
    line.read_to_string(&mut said).await.unwrap();
    assert!(said.starts_with("HTTP/1.1 200") && said.contains("Crew A"), "{said}");
    // Nothing is answered without TLS.
    let mut plain = TcpStream::connect(again.address).await.unwrap();
    plain.write_all(b"GET /healthz HTTP/1.1\r\nhost: x\r\n\r\n").await.unwrap();
    let mut said = Vec::new();
    let _ = plain.read_to_end(&mut said).await;
    assert!(!said.starts_with(b"HTTP"), "{}", String::from_utf8_lossy(&said));
    #[cfg(unix)]
    {
        use std::os::unix::fs::PermissionsExt as _;
        let mode = std::fs::metadata(folder.path().join("tls/key.pem")).unwrap().permissions().mode();
        assert_eq!(mode & 0o777, 0o600);
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn without_tls_only_loopback_is_listened_on() {
    let folder = tempfile::tempdir().unwrap();
    let mut config = config(folder.path());
    config.listen = "0.0.0.0:0".parse().unwrap();
    let error = Server::start(config).await.unwrap_err();
    assert_eq!(error.code(), "E_SERVER_PLAIN");
}
