//! The HTTP part: one table of routes, from which the router is built and which the OpenAPI description is checked
//! against.

mod backup;
mod body;
mod crews;
mod export;
mod guardrail;
mod health;
mod query;
mod rates;
mod sync;
mod tokens;
mod visit;
mod words;

pub(crate) use sync::may_begin;

use std::sync::Arc;

use axum::Router;
use axum::extract::DefaultBodyLimit;
use axum::http::{HeaderMap, StatusCode};
use axum::middleware::from_fn_with_state;
use axum::routing::{MethodRouter, delete, get, post, put};

use crate::access::{CrewRecord, Token, must_be_member, must_see};
use crate::error::Problem;
use crate::hub::App;
use crate::ids::CrewId;
use crate::listen::Visit;
use crate::repo;

/// The OpenAPI 3.1 description of the HTTP part.
pub const OPENAPI: &str = include_str!("openapi.json");

type Route = (&'static str, &'static str, MethodRouter<Arc<App>>);

/// Every route: method, path, what answers.
fn table() -> Vec<Route> {
    vec![
        ("get", "/sync", get(sync::sync)),
        ("post", "/sync/session", post(sync::session)),
        ("get", "/repo", get(repo::begin)),
        ("post", "/repo/session", post(repo::session)),
        ("get", "/healthz", get(health::health)),
        ("get", "/readyz", get(health::ready)),
        ("get", "/metrics", get(health::metrics)),
        ("get", "/api/openapi.json", get(health::openapi)),
        ("get", "/api/v1/crews", get(crews::list)),
        ("post", "/api/v1/crews", post(crews::make)),
        ("get", "/api/v1/crews/{crew}", get(crews::one)),
        ("put", "/api/v1/crews/{crew}/anchor", put(crews::anchor)),
        ("post", "/api/v1/crews/{crew}/challenge", post(visit::challenge)),
        ("post", "/api/v1/crews/{crew}/visit", post(visit::visit)),
        ("get", "/api/v1/crews/{crew}/rates", get(rates::rates)),
        ("get", "/api/v1/crews/{crew}/export", get(export::export)),
        ("get", "/api/v1/crews/{crew}/tokens", get(tokens::list)),
        ("post", "/api/v1/crews/{crew}/tokens", post(tokens::make)),
        ("delete", "/api/v1/crews/{crew}/tokens/{token}", delete(tokens::revoke)),
        ("post", "/api/v1/backup", post(backup::backup)),
    ]
}

/// Returns the paths of all routes, as they are counted.
pub(crate) fn paths() -> Vec<&'static str> {
    let mut paths: Vec<_> = table().into_iter().map(|(_, path, _)| path).collect();
    paths.dedup();
    paths
}

/// Returns the routes.
pub(crate) fn router(app: &Arc<App>) -> Router {
    let routes = table().into_iter().fold(Router::new(), |routes, (_, path, answer)| routes.route(path, answer));
    routes.with_state(app.clone())
}

/// Puts around all routes, also those of others, what holds for each request.
pub(crate) fn wrapped(app: &Arc<App>, routes: Router) -> Router {
    routes
        .fallback(|| async { Problem::not_found("there is nothing at this path; see /api/openapi.json") })
        .method_not_allowed_fallback(|| async {
            Problem::new(StatusCode::METHOD_NOT_ALLOWED, "E_USAGE", "this path does not take this method")
        })
        .layer(DefaultBodyLimit::max(app.limits.body_bytes))
        .layer(from_fn_with_state(app.clone(), guardrail::around))
}

/// Finds who is calling, and counts the request.
pub(crate) fn caller(app: &App, headers: &HeaderMap, visit: &Visit) -> Result<Arc<Token>, Problem> {
    let token = app.access.admit(headers, visit.address())?;
    if !token.may_ask() {
        let detail = "too many requests with this token; wait a few seconds";
        return Err(Problem::new(StatusCode::TOO_MANY_REQUESTS, "E_SERVER_TOO_MANY", detail).retry(5));
    }
    Ok(token)
}

/// Finds the crew of a path, for a caller who may see it. Who may not is not told whether it is there.
fn crew_for(app: &App, token: &Token, path: &str) -> Result<CrewRecord, Problem> {
    let unknown = || Problem::not_found("there is no crew of this id here");
    let id: CrewId = path.parse().map_err(|_| unknown())?;
    must_see(token, id)?;
    app.access.crew(id).ok_or_else(unknown)
}

/// The same for what is in the crew's log: where members are let in, a writer's token is not enough, and a member must be
/// one still.
async fn crew_to_read(app: &App, token: &Token, path: &str) -> Result<CrewRecord, Problem> {
    let crew = crew_for(app, token, path)?;
    must_be_member(&app.access, token)?;
    if token.guest().is_some() {
        // Opening the log, if it is not open, works out who is a member.
        let _ = app.crews.with_log(crew.id, |_| ((), Vec::new())).await;
        if let Some(why) = token.why_closed() {
            return Err(Problem::new(StatusCode::FORBIDDEN, "E_SERVER_SHUT_OUT", why));
        }
    }
    Ok(crew)
}

#[cfg(test)]
mod tests {
    use std::collections::BTreeSet;

    use super::*;

    #[test]
    fn the_description_names_every_route_and_no_other() {
        let description: serde_json::Value = serde_json::from_str(OPENAPI).unwrap();
        assert_eq!(description["openapi"], "3.1.0");
        let described: BTreeSet<(String, String)> = description["paths"]
            .as_object()
            .unwrap()
            .iter()
            .flat_map(|(path, item)| {
                let methods = item
                    .as_object()
                    .unwrap()
                    .keys()
                    .filter(|k| ["get", "post", "put", "patch", "delete"].contains(&k.as_str()));
                methods.map(|m| (m.clone(), path.clone())).collect::<Vec<_>>()
            })
            .collect();
        let routes: BTreeSet<(String, String)> =
            table().into_iter().map(|(method, path, _)| (method.to_owned(), path.to_owned())).collect();
        assert_eq!(described, routes);
    }

    #[test]
    fn every_reference_in_the_description_leads_somewhere_and_every_path_parameter_is_described() {
        let description: serde_json::Value = serde_json::from_str(OPENAPI).unwrap();
        fn references(value: &serde_json::Value, found: &mut Vec<String>) {
            match value {
                serde_json::Value::Object(map) => {
                    if let Some(to) = map.get("$ref").and_then(|r| r.as_str()) {
                        found.push(to.to_owned());
                    }
                    map.values().for_each(|v| references(v, found));
                }
                serde_json::Value::Array(list) => list.iter().for_each(|v| references(v, found)),
                _ => {}
            }
        }
        let mut found = Vec::new();
        references(&description, &mut found);
        assert!(found.len() > 10);
        for to in found {
            assert!(description.pointer(to.strip_prefix('#').unwrap()).is_some(), "{to}");
        }
        for (path, item) in description["paths"].as_object().unwrap() {
            let named = |name: &str| {
                let shared = item["parameters"].as_array().into_iter().flatten();
                shared.filter_map(|p| p["$ref"].as_str()).any(|r| r.ends_with(&format!("/{name}")))
            };
            for name in path.split('/').filter_map(|part| part.strip_prefix('{')?.strip_suffix('}')) {
                assert!(named(name), "{path} does not describe {name}");
            }
            for (method, operation) in item.as_object().unwrap().iter().filter(|(k, _)| *k != "parameters") {
                assert!(operation["operationId"].is_string(), "{method} {path}");
                assert!(operation["responses"].as_object().is_some_and(|r| !r.is_empty()), "{method} {path}");
            }
        }
    }
}
