//! A WebSocket as a transport, its bytes on the wire counted.

use std::io;
use std::pin::Pin;
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};
use std::task::{Context, Poll};

use futures::{SinkExt, StreamExt, future};
use samod::Transport;
use tokio::io::{AsyncRead, AsyncWrite, ReadBuf};
use tokio::net::TcpStream;
use tokio_tungstenite::WebSocketStream;
use tokio_tungstenite::tungstenite::{Error, Message};

pub struct Counted {
    pub stream: TcpStream,
    pub bytes: Arc<AtomicU64>,
}

impl AsyncRead for Counted {
    fn poll_read(mut self: Pin<&mut Self>, cx: &mut Context<'_>, buffer: &mut ReadBuf<'_>) -> Poll<io::Result<()>> {
        let before = buffer.filled().len();
        let polled = Pin::new(&mut self.stream).poll_read(cx, buffer);
        self.bytes.fetch_add((buffer.filled().len() - before) as u64, Ordering::Relaxed);
        polled
    }
}

impl AsyncWrite for Counted {
    fn poll_write(mut self: Pin<&mut Self>, cx: &mut Context<'_>, bytes: &[u8]) -> Poll<io::Result<usize>> {
        let polled = Pin::new(&mut self.stream).poll_write(cx, bytes);
        if let Poll::Ready(Ok(n)) = polled {
            self.bytes.fetch_add(n as u64, Ordering::Relaxed);
        }
        polled
    }

    fn poll_flush(mut self: Pin<&mut Self>, cx: &mut Context<'_>) -> Poll<io::Result<()>> {
        Pin::new(&mut self.stream).poll_flush(cx)
    }

    fn poll_shutdown(mut self: Pin<&mut Self>, cx: &mut Context<'_>) -> Poll<io::Result<()>> {
        Pin::new(&mut self.stream).poll_shutdown(cx)
    }
}

/// Binary messages are the protocol's; the rest is the WebSocket's own.
pub fn transport<S: AsyncRead + AsyncWrite + Unpin + Send + 'static>(socket: WebSocketStream<S>) -> Transport {
    let (sink, stream) = socket.split();
    let stream = stream.filter_map(|message| {
        future::ready(match message {
            Ok(Message::Binary(bytes)) => Some(Ok(bytes.to_vec())),
            Ok(_) => None,
            Err(error) => Some(Err(error)),
        })
    });
    let sink = sink.with(|bytes: Vec<u8>| future::ready(Ok::<_, Error>(Message::Binary(bytes.into()))));
    Transport::new(stream, sink)
}
