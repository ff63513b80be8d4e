//! The server under load: a server in a process of its own, devices over TLS on loopback.
//!
//! ```text
//! cargo bench -p embertally-server --bench fleet                                   # all parts, 200 devices
//! cargo bench -p embertally-server --bench fleet -- evening --devices 2000 --seconds 30
//! ```
//!
//! Parts: `meeting` (8 devices with 1,000 shots each meet), `evening` (crews of 8 log a volley every 10 s), `restart`
//! (1,000,000 shots in 500 outings), `storm` (bad devices beside good ones). The devices run on the same processors as
//! the server, so every figure holds the devices' own work too. A report, not a gate.

#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::print_stdout,
    reason = "a benchmark prints, and stops where it cannot go on"
)]

mod bad;
mod device;
mod evening;
mod meeting;
mod restart;
mod server;
mod storm;

fn main() {
    if server::is_child() {
        return server::serve();
    }
    if bad::is_child() {
        return bad::run();
    }
    let args: Vec<String> = std::env::args().skip(1).filter(|a| a != "--bench").collect();
    let number = |name: &str, without: usize| {
        let at = args.iter().position(|a| a == name);
        at.and_then(|n| args.get(n + 1)).map_or(without, |text| text.parse().expect("a number"))
    };
    let named: Vec<&str> =
        args.iter().map(String::as_str).filter(|a| ["meeting", "evening", "restart", "storm"].contains(a)).collect();
    let wanted = |part: &str| named.is_empty() || named.contains(&part);
    let runtime = tokio::runtime::Runtime::new().expect("a runtime");
    runtime.block_on(async {
        if wanted("meeting") {
            meeting::run().await;
        }
        if wanted("evening") {
            evening::run(number("--devices", 200), number("--seconds", 20)).await;
        }
        if wanted("storm") {
            storm::run().await;
        }
        if wanted("restart") {
            restart::run().await;
        }
    });
}
