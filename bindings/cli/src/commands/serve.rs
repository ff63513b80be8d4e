//! The server where crews' logs meet.

use std::io::{self, IsTerminal};
use std::net::{IpAddr, SocketAddr, UdpSocket};
use std::path::PathBuf;

use embertally_server::access::Role as ServerRole;
use embertally_server::logging::{self, Detail};
use embertally_server::{Config, Files, Running, Server, ServerError, StoreChoice, Tls};
use serde_json::json;
use tokio::runtime::{Builder, Runtime};

use super::meeting::show_code;
use super::{Context, default_folder};
use crate::args::{Lines, Role, ServeArgs};
use crate::error::{CliError, sentence};
use crate::output::{self, line, say};

fn refused(error: &ServerError) -> CliError {
    CliError::refused(error.code(), sentence(&error.to_string()))
}

fn no_thread(error: &io::Error) -> CliError {
    CliError::refused("E_SERVER_THREAD", format!("Cannot begin a thread: {error}."))
}

/// Waits for Ctrl-C, or for the system to ask for the end.
async fn signal() -> io::Result<()> {
    #[cfg(unix)]
    {
        use tokio::signal::unix::{SignalKind, signal};
        let mut ended = signal(SignalKind::terminate())?;
        tokio::select! {
            done = tokio::signal::ctrl_c() => done,
            _ = ended.recv() => Ok(()),
        }
    }
    #[cfg(not(unix))]
    tokio::signal::ctrl_c().await
}

/// Does something at Ctrl-C, or when the system asks for the end; a second one ends the tool at once.
pub(super) fn at_signal(then: impl FnOnce() + Send + 'static) -> Result<(), CliError> {
    let runtime = Builder::new_current_thread().enable_all().build().map_err(|e| no_thread(&e))?;
    std::thread::Builder::new()
        .name("embertally-signal".to_owned())
        .spawn(move || {
            if runtime.block_on(signal()).is_ok() {
                then();
                if runtime.block_on(signal()).is_ok() {
                    std::process::exit(1);
                }
            }
        })
        .map_err(|e| no_thread(&e))?;
    Ok(())
}

/// Returns the address by which others on the network reach this machine. Nothing is sent for it: the system only says
/// which way it would go.
fn own_address(listen: SocketAddr) -> Option<IpAddr> {
    let (any, far) = if listen.is_ipv4() { ("0.0.0.0:0", "192.0.2.1:9") } else { ("[::]:0", "[2001:db8::1]:9") };
    let socket = UdpSocket::bind(any).ok()?;
    socket.connect(far).ok()?;
    socket.local_addr().ok().map(|address| address.ip()).filter(|ip| !ip.is_unspecified())
}

fn store(text: &str) -> Result<StoreChoice, CliError> {
    match text {
        "sqlite" => Ok(StoreChoice::Sqlite),
        url if url.starts_with("postgres://") || url.starts_with("postgresql://") => {
            Ok(StoreChoice::Postgres(url.to_owned()))
        }
        _ => Err(CliError::Usage("--store takes sqlite, or an address that begins with postgres://.".to_owned())),
    }
}

fn config(args: &ServeArgs, data: PathBuf) -> Result<Config, CliError> {
    let tls = match (&args.cert, &args.key) {
        (Some(certificate), Some(key)) => {
            Tls::Files(Files { certificate: certificate.clone(), key: key.clone(), publicly_trusted: args.public })
        }
        _ if args.plain => Tls::Plain,
        _ => Tls::SelfMade,
    };
    let mut names = args.names.clone();
    if names.is_empty() && args.listen.ip().is_unspecified() {
        let own = own_address(args.listen).or_else(|| own_address(SocketAddr::from(([0, 0, 0, 0], 0))));
        names.extend(own.map(|ip| ip.to_string()));
    }
    let mut config = Config::new(data);
    config.listen = args.listen;
    config.store = store(&args.store)?;
    config.tls = tls;
    config.names = names;
    config.backups.clone_from(&args.backup);
    config.restored = args.restored;
    Ok(config)
}

fn role(args: &ServeArgs) -> ServerRole {
    match args.role {
        Role::Writer => ServerRole::Writer,
        Role::Reader => ServerRole::Reader,
    }
}

/// Makes the first crew at the first start, and a further invitation where one is asked for.
fn invite(running: &Running, args: &ServeArgs) -> Result<Option<(String, String)>, ServerError> {
    let Some(crew) = running.access().crews().first().map(|crew| crew.id) else {
        let (crew, invitation) = running.invite(&args.title)?;
        return Ok(Some((crew.to_string(), invitation)));
    };
    if !args.invite {
        return Ok(None);
    }
    if args.role == Role::Writer && running.access().anchor(crew).is_some() {
        say(
            "This crew lets in members: a writer's invitation of the server opens nothing. A chief invites: embertally \
             crew invite.",
        );
        return Ok(None);
    }
    Ok(Some((crew.to_string(), running.invitation(crew, role(args), &args.label)?)))
}

/// Says whose log the first crew's is, where that was told.
fn anchor(running: &Running, args: &ServeArgs) -> Result<(), ServerError> {
    match (args.crew_id, running.access().crews().first()) {
        (Some(id), Some(crew)) => running.anchor(crew.id, id),
        _ => Ok(()),
    }
}

/// Makes an invitation for a server that runs already.
async fn invite_beside(context: &Context, config: &Config, args: &ServeArgs) -> Result<(), CliError> {
    let made = Server::invitation_beside(config, role(args), &args.label).await.map_err(|e| refused(&e))?;
    let Some((crew, invitation)) = made else {
        let text = format!(
            "Something else listens on {}, and there is no crew in this data folder yet. Name another address              (--listen) or another folder (--data).",
            config.listen
        );
        return Err(CliError::refused("E_SERVER_LISTEN", text));
    };
    if context.json {
        return output::json(&json!({
            "address": config.listen.to_string(), "running": true, "crew": crew.to_string(), "invitation": invitation,
        }));
    }
    say(&format!(
        "Something listens on {} already; if it is this crew's server, it knows the invitation now.",
        config.listen
    ));
    show_invitation(&invitation)
}

fn show_invitation(invitation: &str) -> Result<(), CliError> {
    say("An invitation for one device, shown this once: whoever has it speaks for the crew. Take it in there with \
         embertally sync.");
    line(invitation)?;
    show_code(invitation)
}

/// Says where the server is, and shows what is shown only once.
fn tell(context: &Context, running: &Running, invited: Option<(String, String)>) -> Result<(), CliError> {
    if context.json {
        let (crew, invitation) = invited.unzip();
        return output::json(&json!({
            "address": running.address.to_string(), "fingerprint": running.fingerprint,
            "device": running.device.to_string(), "admin_token": running.admin_token,
            "crew": crew, "invitation": invitation,
        }));
    }
    say(&format!("Listening on {}. Ctrl-C ends it.", running.address));
    if let Some(fingerprint) = &running.fingerprint {
        say(&format!("SHA-256 of its certificate: {fingerprint}."));
    }
    if let Some(token) = &running.admin_token {
        say("The administrator's token, shown this once; keep it as you keep a key:");
        line(token)?;
    }
    if let Some((_, invitation)) = invited {
        show_invitation(&invitation)?;
    }
    Ok(())
}

/// Runs something within a runtime of several threads; what it is given ends at Ctrl-C, or when the system asks for it.
pub(crate) fn until_signal<T>(
    work: impl AsyncFnOnce(tokio::sync::oneshot::Receiver<()>) -> Result<T, CliError>,
) -> Result<T, CliError> {
    let runtime: Runtime = Builder::new_multi_thread().enable_all().build().map_err(|e| no_thread(&e))?;
    let (stop, stopped) = tokio::sync::oneshot::channel();
    at_signal(move || {
        // Nobody waits any more when the server could not start.
        let _ = stop.send(());
    })?;
    runtime.block_on(work(stopped))
}

pub(super) fn serve(context: &Context, args: &ServeArgs) -> Result<(), CliError> {
    let data = args.data.clone().map_or_else(|| default_folder().map(|f| f.with_file_name("embertally-server")), Ok)?;
    let config = config(args, data)?;
    let lines = match args.lines {
        Lines::Text => logging::Lines::Text,
        Lines::Json => logging::Lines::Json,
    };
    // Where somebody watches, every session that ends would only be in the way of the invitation.
    let detail = if io::stderr().is_terminal() { Detail::Warnings } else { Detail::Usual };
    logging::begin(lines, detail).map_err(|e| CliError::refused("E_INTERNAL", format!("Cannot log: {e}.")))?;
    until_signal(async |stopped| {
        let running = match Server::start(config.clone()).await {
            Ok(running) => running,
            Err(ServerError::Listen { in_use: true, .. }) if args.invite => {
                return invite_beside(context, &config, args).await;
            }
            Err(error) => return Err(refused(&error)),
        };
        let told = invite(&running, args)
            .and_then(|invited| anchor(&running, args).map(|()| invited))
            .map_err(|e| refused(&e))
            .and_then(|invited| tell(context, &running, invited));
        if told.is_ok() {
            // The other end lives on the thread that waits for signals.
            let _ = stopped.await;
        }
        running.shutdown().await;
        told
    })
}
