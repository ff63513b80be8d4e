//! A copy of everything while it is in use.

use std::fs;
use std::io;
use std::path::Path;
use std::sync::Arc;

use axum::Json;
use axum::extract::{Extension, State};
use axum::http::{HeaderMap, StatusCode};
use embertally_core::store::StoreError;
use serde_json::{Value, json};

use super::caller;
use crate::access::must_be_admin;
use crate::clock::now_ms;
use crate::error::Problem;
use crate::hub::{App, blocking};
use crate::ids::CrewId;
use crate::listen::Visit;
use crate::stores::BackedUp;
use crate::tls::private_folder;

pub(super) async fn backup(
    State(app): State<Arc<App>>,
    Extension(visit): Extension<Arc<Visit>>,
    headers: HeaderMap,
) -> Result<(StatusCode, Json<Value>), Problem> {
    must_be_admin(&*caller(&app, &headers, &visit)?)?;
    // One at a time: a second one would only slow both.
    let Ok(place) = app.readers.clone().try_acquire_owned() else {
        let detail = "the server is busy with other long work; try again";
        return Err(Problem::new(StatusCode::SERVICE_UNAVAILABLE, "E_SERVER_BUSY", detail).retry(30));
    };
    let name = format!("backup-{}", now_ms());
    let (target, named) = (app.backups.join(&name), name.clone());
    let done = blocking(move || {
        let _place = place;
        let crews: Vec<CrewId> = app.access.crews().iter().map(|c| c.id).collect();
        copy(&app, &target, &named, &crews)
    })
    .await??;
    let Some(done) = done else {
        let detail = "these logs are in PostgreSQL; back them up by its own means, such as pg_dump";
        return Err(Problem::new(StatusCode::NOT_IMPLEMENTED, "E_SERVER_BACKUP", detail));
    };
    tracing::info!(backup = name, crews = done.crews, bytes = done.bytes, "backed up");
    Ok((StatusCode::CREATED, Json(json!({ "name": name, "crews": done.crews, "bytes": done.bytes }))))
}

/// Copies under another name until all of it is there, so that what has the name is whole.
fn copy(app: &App, target: &Path, name: &str, crews: &[CrewId]) -> Result<Option<BackedUp>, Problem> {
    let part = app.backups.join(format!("{name}.part"));
    let io = |error: io::Error| Problem::from(StoreError::Other { reason: error.to_string(), source: None });
    private_folder(&part).map_err(io)?;
    // The certificate too: devices know the server by it.
    let tls = app.data.join("tls");
    let copied = if tls.exists() { copy_folder(&tls, &part.join("tls")) } else { Ok(()) };
    let copied = copied.map_err(io).and_then(|()| Ok(app.stores.back_up(&part, crews)?));
    if !matches!(copied, Ok(Some(_))) {
        // The first error is the one to tell.
        let _ = fs::remove_dir_all(&part);
    }
    let done = copied?;
    if done.is_some() {
        fs::rename(&part, target).map_err(io)?;
    }
    Ok(done)
}

/// Copies the files of a folder, to be read by their owner alone.
fn copy_folder(from: &Path, to: &Path) -> io::Result<()> {
    private_folder(to)?;
    for file in fs::read_dir(from)? {
        let file = file?;
        if file.file_type()?.is_file() {
            // Rights are copied with it.
            fs::copy(file.path(), to.join(file.file_name()))?;
        }
    }
    Ok(())
}
