//! A crew's rows as a file, written while it is sent.

use std::io;
use std::sync::Arc;

use axum::body::{Body, Bytes};
use axum::extract::{Extension, Path, RawQuery, State};
use axum::http::{HeaderMap, HeaderValue, header};
use axum::response::{IntoResponse, Response};
use embertally_core::exchange::{rows_of_volley, write_csv, write_jsonl};
use futures_util::stream;
use tokio::sync::{mpsc, oneshot};

use super::query::Query;
use super::rates::ledger;
use super::{caller, crew_to_read};
use crate::error::Problem;
use crate::hub::App;
use crate::listen::Visit;

/// How much is gathered before it is sent.
const PART: usize = 64 << 10;
/// How many parts may wait for whoever reads.
const PARTS: usize = 4;

/// Sends what is written into it, and waits while nobody reads.
struct Pipe {
    out: mpsc::Sender<Result<Bytes, io::Error>>,
    part: Vec<u8>,
}

impl Pipe {
    fn send(&mut self) -> io::Result<()> {
        if self.part.is_empty() {
            return Ok(());
        }
        let part = std::mem::replace(&mut self.part, Vec::with_capacity(PART));
        self.out.blocking_send(Ok(part.into())).map_err(|_| io::ErrorKind::BrokenPipe.into())
    }
}

impl io::Write for Pipe {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        self.part.extend_from_slice(bytes);
        if self.part.len() >= PART {
            self.send()?;
        }
        Ok(bytes.len())
    }

    /// Sends only whole parts; what is left goes at the end.
    fn flush(&mut self) -> io::Result<()> {
        Ok(())
    }
}

pub(super) async fn export(
    State(app): State<Arc<App>>,
    Extension(visit): Extension<Arc<Visit>>,
    headers: HeaderMap,
    Path(path): Path<String>,
    RawQuery(query): RawQuery,
) -> Result<Response, Problem> {
    let token = caller(&app, &headers, &visit)?;
    let crew = crew_to_read(&app, &token, &path).await?;
    let (is_csv, kind, name) = match Query::read(query.as_deref(), &["format"])?.one("format", "csv")? {
        "csv" => (true, "text/csv; charset=utf-8; header=present", "attachment; filename=\"embertally.csv\""),
        "jsonl" => (false, "application/x-ndjson", "attachment; filename=\"embertally.jsonl\""),
        _ => return Err(Problem::bad_request("format is csv or jsonl")),
    };
    let (out, parts) = mpsc::channel(PARTS);
    let (begin, begun) = oneshot::channel::<Result<(), Problem>>();
    tokio::spawn(async move {
        let done = app.read(crew.id, move |log| {
            let ledger = match ledger(log) {
                Ok(ledger) => ledger,
                Err(problem) => {
                    let _ = begin.send(Err(problem));
                    return Ok(());
                }
            };
            // From here on the answer has begun.
            let _ = begin.send(Ok(()));
            let mut pipe = Pipe { out, part: Vec::with_capacity(PART) };
            let all = ledger.volleys().flat_map(|view| rows_of_volley(&ledger, &view));
            let written = if is_csv { write_csv(&mut pipe, all) } else { write_jsonl(&mut pipe, all) };
            if let Err(error) = written.and_then(|_| pipe.send()) {
                // A file that breaks off must not look whole: the connection breaks off with it.
                let _ = pipe.out.blocking_send(Err(error));
            }
            Ok(())
        });
        done.await
    });
    let Ok(begun) = begun.await else {
        return Err(Problem::new(
            axum::http::StatusCode::SERVICE_UNAVAILABLE,
            "E_SERVER_BUSY",
            "the crew's log cannot be read now; try again",
        ));
    };
    begun?;
    let body = Body::from_stream(stream::unfold(parts, |mut parts| async { parts.recv().await.map(|p| (p, parts)) }));
    let headers = [
        (header::CONTENT_TYPE, HeaderValue::from_static(kind)),
        (header::CONTENT_DISPOSITION, HeaderValue::from_static(name)),
    ];
    Ok((headers, body).into_response())
}
