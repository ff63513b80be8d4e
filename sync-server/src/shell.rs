//! The page for browsers: everything that it consists of is built into this program, compressed already.
//!
//! The files are made by `bindings/web/build` and listed in `bindings/web/dist/assets.rs`.

use std::io::Read as _;
use std::sync::Arc;

use axum::Router;
use axum::http::{HeaderMap, HeaderValue, StatusCode, header};
use axum::response::{IntoResponse, Response};
use axum::routing::get;

/// One file of the page.
struct Asset {
    path: &'static str,
    content_type: &'static str,
    /// The start of a hash of it, as it stands in its `ETag`.
    tag: &'static str,
    /// Whether its name changes with its content, so that it may be kept for ever.
    hashed: bool,
    plain: Option<&'static [u8]>,
    gzip: Option<&'static [u8]>,
    brotli: Option<&'static [u8]>,
}

const ASSETS: &[Asset] = include!("../../bindings/web/dist/assets.rs");

/// What the page may do: nothing from elsewhere, no code but its own files and the WebAssembly among them.
const POLICY: &str = "default-src 'none'; script-src 'self' 'wasm-unsafe-eval'; style-src 'self'; img-src 'self' data: \
                      blob:; connect-src 'self'; worker-src 'self'; manifest-src 'self'; base-uri 'none'; form-action 'none'; \
                      frame-ancestors 'none'";

/// What of the device it may use: nothing but what every page may.
const PERMISSIONS: &str = "camera=(), geolocation=(), microphone=(), payment=(), usb=()";

/// The routes of the page.
pub(crate) fn routes() -> Router {
    let one = |asset: &'static Asset| get(async move |headers: HeaderMap| answer(asset, &headers));
    ASSETS.iter().fold(Router::new(), |routes, asset| routes.route(asset.path, one(asset)))
}

/// Tells whether a list of encodings names one, and does not rule it out.
fn takes(headers: &HeaderMap, wanted: &str) -> bool {
    let all = headers.get_all(header::ACCEPT_ENCODING).iter().filter_map(|h| h.to_str().ok());
    all.flat_map(|line| line.split(',')).any(|item| {
        let mut parts = item.split(';').map(str::trim);
        let named = parts.next().is_some_and(|name| name.eq_ignore_ascii_case(wanted));
        named && !parts.any(|p| p.strip_prefix("q=").is_some_and(|q| q.parse() == Ok(0.0)))
    })
}

fn answer(asset: &'static Asset, headers: &HeaderMap) -> Response {
    let tag = format!("\"{}\"", asset.tag);
    let is_known = headers.get_all(header::IF_NONE_MATCH).iter().any(|known| {
        known.to_str().is_ok_and(|known| known.split(',').any(|t| t.trim().trim_start_matches("W/") == tag))
    });
    let keep = if asset.hashed { "public, max-age=31536000, immutable" } else { "no-cache" };
    let (encoding, body) = match (asset.brotli, asset.gzip, asset.plain) {
        (Some(bytes), ..) if takes(headers, "br") => (Some("br"), Body::Built(bytes)),
        (_, Some(bytes), _) if takes(headers, "gzip") => (Some("gzip"), Body::Built(bytes)),
        (.., Some(bytes)) => (None, Body::Built(bytes)),
        (_, Some(bytes), None) => (None, Body::Made(inflated(bytes))),
        (_, None, None) => return StatusCode::NOT_FOUND.into_response(),
    };
    let mut response = match body {
        _ if is_known => StatusCode::NOT_MODIFIED.into_response(),
        Body::Built(bytes) => bytes.into_response(),
        Body::Made(bytes) => bytes.to_vec().into_response(),
    };
    let fixed = [
        (header::CONTENT_TYPE, asset.content_type),
        (header::CACHE_CONTROL, keep),
        (header::CONTENT_SECURITY_POLICY, POLICY),
        (header::VARY, "accept-encoding"),
        (header::HeaderName::from_static("permissions-policy"), PERMISSIONS),
    ];
    let out = response.headers_mut();
    for (name, value) in fixed {
        out.insert(name, HeaderValue::from_static(value));
    }
    if let Ok(tag) = HeaderValue::from_str(&tag) {
        out.insert(header::ETAG, tag);
    }
    if let Some(encoding) = encoding.filter(|_| !is_known) {
        out.insert(header::CONTENT_ENCODING, HeaderValue::from_static(encoding));
    }
    response
}

enum Body {
    Built(&'static [u8]),
    Made(Arc<[u8]>),
}

/// Unpacks a file for a client that takes no compression. They are our own files, so their size is known to be small.
fn inflated(gzip: &[u8]) -> Arc<[u8]> {
    let mut bytes = Vec::new();
    // What this program was built with can be read.
    let _ = flate2::read::GzDecoder::new(gzip).read_to_end(&mut bytes);
    bytes.into()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn ask(path: &str, headers: &[(header::HeaderName, &str)]) -> Response {
        let asset = ASSETS.iter().find(|a| a.path == path).unwrap();
        let all = headers.iter().map(|(name, value)| (name.clone(), HeaderValue::from_str(value).unwrap()));
        answer(asset, &all.collect())
    }

    fn said<'a>(response: &'a Response, name: &str) -> Option<&'a str> {
        response.headers().get(name).map(|v| v.to_str().unwrap())
    }

    #[test]
    fn the_page_its_worker_and_the_core_are_there() {
        for (end, kind) in [("/", "text/html"), ("/sw.js", "text/javascript"), (".wasm", "application/wasm")] {
            let found: Vec<_> =
                ASSETS.iter().filter(|a| if end == "/" { a.path == "/" } else { a.path.ends_with(end) }).collect();
            assert!(found.len() == 1 && found[0].content_type.starts_with(kind), "{end}");
        }
        assert!(ASSETS.iter().all(|a| a.hashed == a.path.starts_with("/assets/")));
        // Over the wire, all together. The goal is a megabyte; with signatures it is missed by 6 %, and must not grow.
        let bytes: usize = ASSETS.iter().map(|a| a.brotli.or(a.plain).map_or(0, <[u8]>::len)).sum();
        assert!(bytes < 1_060_000, "{bytes} bytes");
    }

    #[test]
    fn what_a_client_takes_decides_the_form_and_every_form_is_the_same() {
        let br = ask("/", &[(header::ACCEPT_ENCODING, "gzip, deflate, br")]);
        assert_eq!(said(&br, "content-encoding"), Some("br"));
        let gzip = ask("/", &[(header::ACCEPT_ENCODING, "gzip, br;q=0")]);
        assert_eq!(said(&gzip, "content-encoding"), Some("gzip"));
        assert_eq!(said(&ask("/", &[]), "content-encoding"), None);
        let page = ASSETS.iter().find(|a| a.path == "/").unwrap();
        assert!(inflated(page.gzip.unwrap()).starts_with(b"<!doctype html>"));
    }

    #[test]
    fn hashed_names_are_kept_for_ever_and_the_page_is_asked_for_again() {
        let page = ask("/", &[]);
        assert_eq!(said(&page, "cache-control"), Some("no-cache"));
        let tag = said(&page, "etag").unwrap().to_owned();
        assert_eq!(ask("/", &[(header::IF_NONE_MATCH, &tag)]).status(), StatusCode::NOT_MODIFIED);
        let core = ASSETS.iter().find(|a| a.path.ends_with(".wasm")).unwrap();
        assert!(said(&ask(core.path, &[]), "cache-control").unwrap().contains("immutable"));
        assert!(said(&page, "content-security-policy").unwrap().starts_with("default-src 'none'"));
    }
}
