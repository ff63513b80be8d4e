//! An open connection: binary WebSocket messages over TLS, one frame of the conversation each.

use std::time::Duration;

use tokio::net::{TcpStream, lookup_host};
use tokio::time::timeout;
use tokio_rustls::TlsStream;
use tokio_tungstenite::WebSocketStream;
use tokio_tungstenite::tungstenite::protocol::WebSocketConfig;

use crate::error::LinkError;

/// An open connection.
pub(crate) type Wire = WebSocketStream<TlsStream<TcpStream>>;

/// What may wait to be written before the connection is given up, in bytes.
const WRITE_BUFFER: usize = 4 << 20;

/// The largest frame: more is refused before it is read.
pub(crate) const FRAME_BYTES: usize = 256 << 10;

/// Returns the limits of a connection.
pub(crate) fn limits() -> WebSocketConfig {
    WebSocketConfig::default()
        .read_buffer_size(32 << 10)
        .write_buffer_size(32 << 10)
        .max_write_buffer_size(WRITE_BUFFER)
        .max_message_size(Some(FRAME_BYTES))
        .max_frame_size(Some(FRAME_BYTES))
}

/// Does one step of connecting, within its time.
pub(crate) async fn step<T>(
    limit: Duration,
    place: &str,
    step: &'static str,
    doing: impl Future<Output = Result<T, LinkError>>,
) -> Result<T, LinkError> {
    let late = LinkError::TimedOut { place: place.to_owned(), step };
    timeout(limit, doing).await.unwrap_or(Err(late))
}

/// Opens a TCP connection to a host by name or address.
pub(crate) async fn tcp(host: &str, port: u16, place: &str, limit: Duration) -> Result<TcpStream, LinkError> {
    let unreachable =
        |e: std::io::Error| LinkError::Unreachable { place: place.to_owned(), what: crate::line::reason(&e) };
    let open = async {
        let mut last = std::io::Error::new(std::io::ErrorKind::NotFound, "the name has no address");
        for address in lookup_host((host, port)).await.map_err(unreachable)? {
            match TcpStream::connect(address).await {
                Ok(stream) => {
                    // Frames are whole messages already; waiting for more would only delay them.
                    let _ = stream.set_nodelay(true);
                    return Ok(stream);
                }
                Err(error) => last = error,
            }
        }
        Err(unreachable(last))
    };
    step(limit, place, "connecting", open).await
}
