//! Device to device, with no server between them.
//!
//! Both sides have the crew's code. TLS 1.3 with certificates made on the spot gives secrecy, but not yet a known other
//! side. So each proves that it has the code, by a keyed hash over its role, both sides' random numbers, and keying
//! material exported from this very TLS session (RFC 5705, RFC 8446 7.5). Somebody who stands between has two sessions
//! with different keying material, and can neither make a proof nor pass one on. A proof says nothing about the code
//! that is of use: its 120 bits cannot be tried out.
//!
//! Nothing is read from the other side before its proof, except that proof: 40 and 32 bytes, within five seconds.

use std::sync::Arc;
use std::time::Duration;

use rustls::pki_types::ServerName;
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::TcpStream;
use tokio::time::timeout;
use tokio_rustls::{TlsAcceptor, TlsConnector, TlsStream};
use tokio_tungstenite::WebSocketStream;
use tokio_tungstenite::tungstenite::protocol::Role;

use crate::code::Code;
use crate::error::LinkError;
use crate::line::reason;
use crate::tls;
use crate::wire::{Wire, limits};

/// What a greeting begins with; the version of this exchange.
const MAGIC: &[u8; 8] = b"ember-d1";
/// The label of the exported keying material.
const LABEL: &[u8] = b"EXPORTER-embertally-direct-1";
/// How long the other side has to prove itself, from the first byte.
const PROVING: Duration = Duration::from_secs(5);

/// Who makes a proof: with one role for both, a proof could be thrown back at its maker.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Side {
    Calls,
    Answers,
}

/// Makes the proof of one side.
fn proof(code: &Code, side: Side, exported: &[u8; 32], caller: &[u8; 32], answerer: &[u8; 32]) -> blake3::Hash {
    let mut hasher = blake3::Hasher::new_keyed(&code.key("embertally direct 1 proof of the crew's code"));
    hasher.update(&[if side == Side::Calls { 1 } else { 2 }]);
    hasher.update(exported).update(caller).update(answerer);
    hasher.finalize()
}

fn nonce() -> Result<[u8; 32], LinkError> {
    let mut nonce = [0; 32];
    getrandom::fill(&mut nonce).map_err(|e| LinkError::Device { what: format!("get random bits: {e}") })?;
    Ok(nonce)
}

/// Both sides' proofs, in this order: greetings, the caller's proof, the answerer's. The answerer proves itself only to
/// somebody who has done so.
async fn prove(stream: &mut TlsStream<TcpStream>, code: &Code, side: Side, place: &str) -> Result<(), LinkError> {
    let io = |e: std::io::Error| LinkError::Unreachable { place: place.to_owned(), what: reason(&e) };
    // Whoever finds a wrong proof hangs up.
    let unproved = |_: std::io::Error| LinkError::WrongCode { place: place.to_owned() };
    let exported = match stream {
        TlsStream::Client(s) => s.get_ref().1.export_keying_material([0; 32], LABEL, None),
        TlsStream::Server(s) => s.get_ref().1.export_keying_material([0; 32], LABEL, None),
    };
    let not_safe = |what: String| LinkError::NotSafe { place: place.to_owned(), what };
    let exported = exported.map_err(|e| not_safe(e.to_string()))?;
    let mine = nonce()?;
    let mut greeting = [0; 40];
    let (magic, number) = greeting.split_at_mut(MAGIC.len());
    magic.copy_from_slice(MAGIC);
    number.copy_from_slice(&mine);
    stream.write_all(&greeting).await.map_err(io)?;
    stream.flush().await.map_err(io)?;
    stream.read_exact(&mut greeting).await.map_err(io)?;
    let (magic, number) = greeting.split_at(MAGIC.len());
    let (true, Ok(theirs)) = (magic == MAGIC, <[u8; 32]>::try_from(number)) else {
        return Err(LinkError::NotAServer { place: place.to_owned(), what: "it greets in another way".to_owned() });
    };
    let (caller, answerer) = if side == Side::Calls { (mine, theirs) } else { (theirs, mine) };
    let expected = |side| proof(code, side, &exported, &caller, &answerer);
    let mut shown = [0; 32];
    if side == Side::Calls {
        stream.write_all(expected(Side::Calls).as_bytes()).await.map_err(io)?;
        stream.flush().await.map_err(io)?;
        stream.read_exact(&mut shown).await.map_err(unproved)?;
        // Comparing two hashes takes the same time whatever they are.
        return if expected(Side::Answers) == shown {
            Ok(())
        } else {
            Err(LinkError::WrongCode { place: place.to_owned() })
        };
    }
    stream.read_exact(&mut shown).await.map_err(unproved)?;
    if expected(Side::Calls) != shown {
        return Err(LinkError::WrongCode { place: place.to_owned() });
    }
    stream.write_all(expected(Side::Answers).as_bytes()).await.map_err(io)?;
    stream.flush().await.map_err(io)
}

async fn proved(
    stream: impl Future<Output = std::io::Result<TlsStream<TcpStream>>>,
    code: &Code,
    side: Side,
    place: &str,
) -> Result<Box<Wire>, LinkError> {
    let all = async {
        let mut stream =
            stream.await.map_err(|e| match e.get_ref().and_then(|e| e.downcast_ref::<rustls::Error>()) {
                Some(error) => LinkError::NotSafe { place: place.to_owned(), what: error.to_string() },
                None => LinkError::Unreachable { place: place.to_owned(), what: reason(&e) },
            })?;
        prove(&mut stream, code, side, place).await?;
        Ok(stream)
    };
    let late = LinkError::TimedOut { place: place.to_owned(), step: "proving the code" };
    let stream = timeout(PROVING, all).await.unwrap_or(Err(late))?;
    let role = if side == Side::Calls { Role::Client } else { Role::Server };
    // Both sides know what they speak: no HTTP upgrade is needed for it.
    Ok(Box::new(WebSocketStream::from_raw_socket(stream, role, Some(limits())).await))
}

/// Calls another device over an open TCP connection.
pub(crate) async fn call(stream: TcpStream, code: &Code, place: &str) -> Result<Box<Wire>, LinkError> {
    let connector = TlsConnector::from(Arc::new(tls::device_client()?));
    let name = ServerName::try_from("device.invalid")
        .map_err(|e| LinkError::NotSafe { place: place.to_owned(), what: e.to_string() })?;
    let stream = async { connector.connect(name, stream).await.map(TlsStream::from) };
    proved(stream, code, Side::Calls, place).await
}

/// Answers another device that calls.
pub(crate) async fn answer(
    stream: TcpStream,
    acceptor: &TlsAcceptor,
    code: &Code,
    place: &str,
) -> Result<Box<Wire>, LinkError> {
    let _ = stream.set_nodelay(true);
    let stream = async { acceptor.accept(stream).await.map(TlsStream::from) };
    proved(stream, code, Side::Answers, place).await
}

#[cfg(test)]
mod tests {
    use tokio::io::copy_bidirectional;
    use tokio::net::TcpListener;

    use super::*;

    fn code(number: u8) -> Code {
        Code::from_random([number; 24])
    }

    async fn pair() -> (TcpStream, TcpStream) {
        let listener = TcpListener::bind("127.0.0.1:0").await.expect("a port");
        let address = listener.local_addr().expect("its number");
        let (called, answered) = tokio::join!(TcpStream::connect(address), listener.accept());
        (called.expect("a connection"), answered.expect("a connection").0)
    }

    fn acceptor() -> TlsAcceptor {
        TlsAcceptor::from(Arc::new(tls::device_server().expect("a certificate")))
    }

    fn runtime() -> tokio::runtime::Runtime {
        tokio::runtime::Builder::new_current_thread().enable_all().build().expect("a runtime")
    }

    async fn meet(caller: Code, answerer: Code) -> [Result<Box<Wire>, LinkError>; 2] {
        let (calling, answering) = pair().await;
        let acceptor = acceptor();
        let (a, b) = tokio::join!(call(calling, &caller, "a"), answer(answering, &acceptor, &answerer, "b"));
        [a, b]
    }

    #[test]
    fn devices_with_one_code_meet_and_with_two_do_not() {
        runtime().block_on(async {
            assert!(meet(code(1), code(1)).await.iter().all(Result::is_ok));
            for met in meet(code(1), code(2)).await {
                assert!(matches!(met, Err(LinkError::WrongCode { .. })), "{:?}", met.err());
            }
        });
    }

    /// The impostor ends both TLS sessions and passes on what is in them, byte by byte.
    #[test]
    fn somebody_between_two_devices_with_the_right_code_cannot_pass_their_proofs_on() {
        runtime().block_on(async {
            let ((calling, towards), (from, answering)) = (pair().await, pair().await);
            let acceptor = acceptor();
            let between = async {
                let connector = TlsConnector::from(Arc::new(tls::device_client().expect("TLS")));
                let name = ServerName::try_from("device.invalid").expect("a name");
                let (near, far) = tokio::join!(acceptor.accept(towards), connector.connect(name, from));
                let (mut near, mut far) = (near.expect("TLS"), far.expect("TLS"));
                let _ = copy_bidirectional(&mut near, &mut far).await;
            };
            let (secret, acceptor) = (code(1), acceptor.clone());
            let (a, b, ()) =
                tokio::join!(call(calling, &secret, "a"), answer(answering, &acceptor, &secret, "b"), between);
            assert!(matches!(a, Err(LinkError::WrongCode { .. })), "{:?}", a.err());
            assert!(matches!(b, Err(LinkError::WrongCode { .. })), "{:?}", b.err());
        });
    }

    #[test]
    fn a_proof_is_of_one_side_one_session_and_one_code() {
        let (exported, one, two) = ([1; 32], [2; 32], [3; 32]);
        let all = [
            proof(&code(1), Side::Calls, &exported, &one, &two),
            proof(&code(1), Side::Answers, &exported, &one, &two),
            proof(&code(1), Side::Calls, &[4; 32], &one, &two),
            proof(&code(1), Side::Calls, &exported, &two, &one),
            proof(&code(2), Side::Calls, &exported, &one, &two),
        ];
        let different: std::collections::HashSet<_> = all.iter().map(|hash| *hash.as_bytes()).collect();
        assert_eq!(different.len(), all.len());
    }

    #[test]
    fn whoever_says_nothing_or_something_else_is_hung_up_on() {
        runtime().block_on(async {
            let (calling, answering) = pair().await;
            let acceptor = acceptor();
            let secret = code(1);
            let stranger = async {
                let connector = TlsConnector::from(Arc::new(tls::device_client().expect("TLS")));
                let name = ServerName::try_from("device.invalid").expect("a name");
                let mut stream = connector.connect(name, calling).await.expect("TLS");
                stream.write_all(b"GET /sync HTTP/1.1\r\nHost: device.invalid\r\n\r\n").await.expect("it is sent");
                let mut all = Vec::new();
                let _ = stream.read_to_end(&mut all).await;
                all.len()
            };
            let (told, met) = tokio::join!(stranger, answer(answering, &acceptor, &secret, "b"));
            assert!(matches!(met, Err(LinkError::NotAServer { .. })), "{:?}", met.err());
            assert_eq!(told, 40, "more than the greeting was told to a stranger");
        });
    }
}
