//! The way to a server: TCP, TLS with the server known, where there is no token a session for this device's key, then a
//! WebSocket with the one or the other in a header.

use std::sync::Arc;
use std::time::Duration;

use embertally_core::facts::CrewId;
use embertally_core::sync::PROTOCOL;
use rustls::CertificateError;
use rustls::pki_types::ServerName;
use tokio_rustls::{TlsConnector, TlsStream};
use tokio_tungstenite::client_async_with_config;
use tokio_tungstenite::tungstenite::client::IntoClientRequest;
use tokio_tungstenite::tungstenite::handshake::client::Request;
use tokio_tungstenite::tungstenite::http::{HeaderValue, Response, StatusCode};
use tokio_tungstenite::tungstenite::{Error, error::ProtocolError};

use crate::error::LinkError;
use crate::invitation::{Address, Invitation, Pass, Trust, hex};
use crate::tls::{self, OtherCertificate};
use crate::visit::{Caller, session};
use crate::wire::{Wire, limits, step, tcp};

/// In which header a device that comes with a token says which crew's log it brings.
const CREW: &str = "embertally-crew";

/// The path of the server's endpoint.
const PATH: &str = "/sync";

/// Opens a connection to the first of the server's addresses that answers rightly; each step has so long.
///
/// # Errors
/// That of the address which came furthest: a wrong certificate says more than a host that is not there.
pub(crate) async fn connect(
    invitation: &Invitation,
    caller: &Caller,
    limit: Duration,
) -> Result<(Box<Wire>, String), LinkError> {
    let mut worst: Option<LinkError> = None;
    for address in &invitation.addresses {
        match connect_to(address, invitation, caller, limit).await {
            Ok(wire) => return Ok((Box::new(wire), address.to_string())),
            Err(error) => {
                if worst.as_ref().is_none_or(LinkError::may_pass) {
                    worst = Some(error);
                }
            }
        }
    }
    Err(worst
        .unwrap_or(LinkError::Unreachable { place: "the server".to_owned(), what: "it has no address".to_owned() }))
}

async fn connect_to(
    address: &Address,
    invitation: &Invitation,
    caller: &Caller,
    limit: Duration,
) -> Result<Wire, LinkError> {
    let place = address.to_string();
    let stream = tcp(address.host(), address.port(), &place, limit).await?;
    let name = ServerName::try_from(address.host().to_owned())
        .map_err(|e| LinkError::NotSafe { place: place.clone(), what: e.to_string() })?;
    let connector = TlsConnector::from(Arc::new(tls::client(&invitation.trust)?));
    let secure = async { connector.connect(name, stream).await.map_err(|e| not_safe(&place, &invitation.trust, &e)) };
    let mut stream = TlsStream::from(step(limit, &place, "agreeing on encryption", secure).await?);
    let request = match &invitation.pass {
        Pass::Token(token) => request(&place, token.reveal(), caller.crew)?,
        Pass::Join(_) | Pass::Member => {
            let proving = session(&mut stream, address, invitation, caller);
            request(&place, &step(limit, &place, "proving who this device is", proving).await?, None)?
        }
    };
    let upgrade =
        async { client_async_with_config(request, stream, Some(limits())).await.map_err(|e| not_upgraded(&place, &e)) };
    Ok(step(limit, &place, "opening the conversation", upgrade).await?.0)
}

fn request(place: &str, secret: &str, crew: Option<CrewId>) -> Result<Request, LinkError> {
    let bad = |what: String| LinkError::NotAServer { place: place.to_owned(), what };
    let mut request = format!("wss://{place}{PATH}").into_client_request().map_err(|e| bad(e.to_string()))?;
    let mut bearer = HeaderValue::from_str(&format!("Bearer {secret}"))
        .map_err(|_| bad("the token is no header value".to_owned()))?;
    bearer.set_sensitive(true);
    request.headers_mut().insert("authorization", bearer);
    if let Some(crew) = crew.and_then(|crew| HeaderValue::from_str(&crew.to_string()).ok()) {
        request.headers_mut().insert(CREW, crew);
    }
    request.headers_mut().insert("sec-websocket-protocol", HeaderValue::from_static(PROTOCOL));
    Ok(request)
}

/// Says why TLS did not come about.
fn not_safe(place: &str, trust: &Trust, error: &std::io::Error) -> LinkError {
    let inner = error.get_ref().and_then(|e| e.downcast_ref::<rustls::Error>());
    if let (Some(rustls::Error::InvalidCertificate(CertificateError::Other(other))), Trust::Pin(pin)) = (inner, trust)
        && let Some(other) = other.0.downcast_ref::<OtherCertificate>()
    {
        let start = |hash: &[u8; 32]| hex(hash).chars().take(16).collect();
        return LinkError::WrongPin { place: place.to_owned(), wanted: start(pin), found: start(&other.found) };
    }
    match inner {
        Some(error) => LinkError::NotSafe { place: place.to_owned(), what: error.to_string() },
        // The connection broke off; whether anybody meant it cannot be told.
        None => LinkError::Unreachable { place: place.to_owned(), what: crate::line::reason(error) },
    }
}

/// Returns the stable code of a server's refusal.
fn code(response: &Response<Option<Vec<u8>>>) -> Option<&str> {
    response.headers().get("embertally-code")?.to_str().ok()
}

/// Says why the WebSocket did not come about.
fn not_upgraded(place: &str, error: &Error) -> LinkError {
    let place = place.to_owned();
    match error {
        Error::Http(response) => match response.status() {
            StatusCode::FORBIDDEN if code(response) == Some("E_SERVER_MEMBERS") => LinkError::MembersOnly { place },
            StatusCode::FORBIDDEN if code(response) == Some("E_SERVER_SHUT_OUT") => {
                LinkError::NotAMember { place, what: "it is out of the crew".to_owned() }
            }
            StatusCode::UNAUTHORIZED | StatusCode::FORBIDDEN => LinkError::TokenRefused { place },
            status @ (StatusCode::TOO_MANY_REQUESTS | StatusCode::REQUEST_TIMEOUT) => {
                LinkError::Busy { place, status: status.as_u16() }
            }
            status if status.is_server_error() => LinkError::Busy { place, status: status.as_u16() },
            status => LinkError::NotAServer { place, what: format!("status {}", status.as_u16()) },
        },
        Error::Protocol(ProtocolError::SecWebSocketSubProtocolError(_)) => {
            LinkError::NotAServer { place, what: "it speaks no version that is known here".to_owned() }
        }
        Error::Io(error) => LinkError::Unreachable { place, what: crate::line::reason(error) },
        Error::ConnectionClosed | Error::Protocol(ProtocolError::HandshakeIncomplete) => {
            LinkError::Unreachable { place, what: "it hung up".to_owned() }
        }
        other => LinkError::NotAServer { place, what: other.to_string() },
    }
}
