//! How a member's device proves to a server who it is: it signs a challenge, and gets a session for it.
//!
//! Challenge and answer go over the connection that the conversation then opens on. What is signed names the server's
//! certificate (or its address, where that is one of the web's), so that no other server can make use of the answer.

use base64::Engine as _;
use base64::engine::general_purpose::URL_SAFE_NO_PAD;
use embertally_core::crew::{DeviceKey, Visit};
use embertally_core::facts::{CrewId, DeviceId};
use serde_json::{Value, json};
use tokio::io::{AsyncRead, AsyncReadExt, AsyncWrite, AsyncWriteExt};

use crate::error::LinkError;
use crate::invitation::{Address, Invitation, Pass, Trust, hex};

/// The longest head and body of an answer.
const LONGEST: usize = 16 << 10;
/// The longest text of a server that is shown to people.
const LONGEST_TEXT: usize = 300;

/// Who calls.
#[derive(Debug, Clone)]
pub(crate) struct Caller {
    pub(crate) device: DeviceId,
    pub(crate) key: Option<DeviceKey>,
    /// The crew whose log it brings.
    pub(crate) crew: Option<CrewId>,
}

impl Caller {
    /// Tells whether it can prove who it is.
    pub(crate) fn has_proof(&self) -> bool {
        self.key.is_some() && self.crew.is_some()
    }
}

/// Gets a session; returns its text.
///
/// # Errors
/// [`LinkError::NotAMember`], [`LinkError::NoKey`], and those of a server that cannot do this.
pub(crate) async fn session<S: AsyncRead + AsyncWrite + Unpin>(
    stream: &mut S,
    address: &Address,
    invitation: &Invitation,
    caller: &Caller,
) -> Result<String, LinkError> {
    let place = address.to_string();
    let Some(key) = &caller.key else { return Err(LinkError::NoKey { place }) };
    let bad = |what: &str| LinkError::NotAServer { place: place.clone(), what: what.to_owned() };
    let path = format!("/api/v1/crews/{}", hex(&invitation.crew));
    let given = post(stream, &place, &format!("{path}/challenge"), "").await?;
    let text = given.get("challenge").and_then(Value::as_str).ok_or_else(|| bad("it gives no challenge"))?;
    let challenge = URL_SAFE_NO_PAD.decode(text).map_err(|_| bad("its challenge is none"))?;
    let known_by = match &invitation.trust {
        Trust::Pin(hash) => format!("pin {}", hex(hash)),
        Trust::Web => format!("web {place}"),
    };
    let invite = match &invitation.pass {
        Pass::Join(invite) => Some(&**invite),
        Pass::Token(_) | Pass::Member => None,
    };
    let signed = Visit::new(key, caller.device, &Visit::place(&invitation.crew, &known_by), &challenge, invite);
    let encoded = |bytes: &[u8]| URL_SAFE_NO_PAD.encode(bytes);
    let mut answer = json!({
        "challenge": text, "device": signed.device.to_string(), "key": encoded(&signed.key),
        "signature": encoded(&signed.signature),
    });
    if let (Some((invitation, proof)), Some(fields)) = (&signed.invited, answer.as_object_mut()) {
        fields.insert("invitation".to_owned(), encoded(invitation).into());
        fields.insert("proof".to_owned(), encoded(proof).into());
    }
    let told = post(stream, &place, &format!("{path}/visit"), &answer.to_string()).await?;
    told.get("session").and_then(Value::as_str).map(str::to_owned).ok_or_else(|| bad("it gives no session"))
}

/// Sends a request and reads its answer (RFC 9112), and leaves the connection open.
async fn post<S: AsyncRead + AsyncWrite + Unpin>(
    stream: &mut S,
    place: &str,
    path: &str,
    body: &str,
) -> Result<Value, LinkError> {
    let gone = |e: std::io::Error| LinkError::Unreachable { place: place.to_owned(), what: crate::line::reason(&e) };
    let bad = |what: &str| LinkError::NotAServer { place: place.to_owned(), what: what.to_owned() };
    let head = format!(
        "POST {path} HTTP/1.1\r\nhost: {place}\r\naccept-encoding: identity\r\ncontent-type: application/json\r\n\
         content-length: {}\r\n\r\n",
        body.len()
    );
    stream.write_all(format!("{head}{body}").as_bytes()).await.map_err(gone)?;
    stream.flush().await.map_err(gone)?;
    let mut head = Vec::new();
    while !head.ends_with(b"\r\n\r\n") {
        if head.len() >= LONGEST {
            return Err(bad("the head of its answer has no end"));
        }
        head.push(stream.read_u8().await.map_err(gone)?);
    }
    let head = String::from_utf8_lossy(&head).to_ascii_lowercase();
    let status: u16 = head.split(' ').nth(1).and_then(|s| s.get(..3)?.parse().ok()).ok_or_else(|| bad("no HTTP"))?;
    let length = head.lines().find_map(|line| line.strip_prefix("content-length:")?.trim().parse::<usize>().ok());
    let length = length.filter(|n| *n <= LONGEST).ok_or_else(|| bad(&format!("status {status}, of no length")))?;
    let mut body = vec![0; length];
    stream.read_exact(&mut body).await.map_err(gone)?;
    let told: Value = serde_json::from_slice(&body).unwrap_or_default();
    let place = place.to_owned();
    match status {
        200 => Ok(told),
        403 => {
            let said = told.get("detail").and_then(Value::as_str).unwrap_or("it gives no reason");
            let what = said.chars().filter(|c| !c.is_control()).take(LONGEST_TEXT).collect();
            Err(LinkError::NotAMember { place, what })
        }
        404 | 405 => {
            Err(LinkError::NotAServer { place, what: "it knows of no members; bring it up to date".to_owned() })
        }
        408 | 429 | 500.. => Err(LinkError::Busy { place, status }),
        status => Err(LinkError::NotAServer { place, what: format!("status {status}") }),
    }
}
