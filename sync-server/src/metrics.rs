//! What is counted, and how it is written for Prometheus.

use std::collections::BTreeMap;
use std::fmt::Write as _;
use std::sync::atomic::{AtomicI64, AtomicU64, Ordering};
use std::sync::{Mutex, PoisonError};
use std::time::Duration;

/// Upper ends of the classes in which the wait of a frame is counted, in milliseconds.
const LAG_MS: [u64; 8] = [1, 5, 25, 100, 250, 1_000, 5_000, 30_000];

/// All counts of a server.
#[derive(Debug, Default)]
pub(crate) struct Metrics {
    pub(crate) connections: AtomicI64,
    pub(crate) sessions: AtomicI64,
    pub(crate) joins: AtomicU64,
    pub(crate) frames_in: AtomicU64,
    pub(crate) frames_out: AtomicU64,
    pub(crate) bytes_in: AtomicU64,
    pub(crate) bytes_out: AtomicU64,
    commits: AtomicU64,
    entries: AtomicU64,
    store_failures: AtomicU64,
    panics: AtomicU64,
    unusable: AtomicU64,
    lag: [AtomicU64; LAG_MS.len()],
    lag_count: AtomicU64,
    lag_us: AtomicU64,
    ended: Mutex<BTreeMap<&'static str, u64>>,
    refused: Mutex<BTreeMap<&'static str, u64>>,
    requests: Mutex<BTreeMap<(&'static str, u16), u64>>,
}

fn count<K: Ord>(map: &Mutex<BTreeMap<K, u64>>, key: K) {
    *map.lock().unwrap_or_else(PoisonError::into_inner).entry(key).or_default() += 1;
}

impl Metrics {
    pub(crate) fn add(counter: &AtomicU64, n: u64) {
        counter.fetch_add(n, Ordering::Relaxed);
    }

    pub(crate) fn took_in(&self, entries: usize) {
        Self::add(&self.commits, 1);
        Self::add(&self.entries, entries as u64);
    }

    pub(crate) fn store_failed(&self) {
        Self::add(&self.store_failures, 1);
    }

    pub(crate) fn panicked(&self) {
        Self::add(&self.panics, 1);
    }

    /// Counts a certificate put in place that cannot be used.
    pub(crate) fn certificate_unusable(&self) {
        Self::add(&self.unusable, 1);
    }

    /// Counts how long a frame waited for its crew's turn.
    pub(crate) fn lag(&self, waited: Duration) {
        let ms = u64::try_from(waited.as_millis()).unwrap_or(u64::MAX);
        for (end, class) in LAG_MS.iter().zip(&self.lag) {
            if ms < *end {
                Self::add(class, 1);
            }
        }
        Self::add(&self.lag_count, 1);
        Self::add(&self.lag_us, u64::try_from(waited.as_micros()).unwrap_or(u64::MAX));
    }

    /// Counts a session that ended.
    pub(crate) fn ended(&self, reason: &'static str) {
        count(&self.ended, reason);
    }

    /// Counts a connection or request that was refused.
    pub(crate) fn refused(&self, reason: &'static str) {
        count(&self.refused, reason);
    }

    /// Counts an answered request.
    pub(crate) fn request(&self, route: &'static str, status: u16) {
        count(&self.requests, (route, status));
    }

    /// Writes everything in Prometheus' text format, version 0.0.4.
    pub(crate) fn to_text(&self) -> String {
        let mut out = String::new();
        let gauge = |n: &AtomicI64| n.load(Ordering::Relaxed).max(0).to_string();
        let total = |n: &AtomicU64| n.load(Ordering::Relaxed).to_string();
        one(&mut out, "connections", "gauge", "Open connections.", &gauge(&self.connections));
        one(&mut out, "sessions", "gauge", "Devices in conversation.", &gauge(&self.sessions));
        one(&mut out, "joins_total", "counter", "Conversations begun.", &total(&self.joins));
        one(&mut out, "frames_in_total", "counter", "Frames received.", &total(&self.frames_in));
        one(&mut out, "frames_out_total", "counter", "Frames sent.", &total(&self.frames_out));
        one(&mut out, "bytes_in_total", "counter", "Bytes of frames received.", &total(&self.bytes_in));
        one(&mut out, "bytes_out_total", "counter", "Bytes of frames sent.", &total(&self.bytes_out));
        one(&mut out, "commits_total", "counter", "Messages taken in, durable when counted.", &total(&self.commits));
        one(&mut out, "entries_total", "counter", "Entries taken in.", &total(&self.entries));
        one(&mut out, "store_failures_total", "counter", "Times a store failed.", &total(&self.store_failures));
        one(&mut out, "panics_total", "counter", "Faults of this program that were contained.", &total(&self.panics));
        let unusable = "Times a new certificate could not be used, and the old one was kept.";
        one(&mut out, "certificates_unusable_total", "counter", unusable, &total(&self.unusable));
        let by = |map: &Mutex<BTreeMap<&'static str, u64>>| map.lock().unwrap_or_else(PoisonError::into_inner).clone();
        head(&mut out, "sessions_ended_total", "counter", "Conversations that ended, by reason.");
        for (reason, n) in by(&self.ended) {
            line(&mut out, "sessions_ended_total", &format!("{{reason=\"{reason}\"}}"), &n.to_string());
        }
        head(&mut out, "refused_total", "counter", "Connections and requests refused, by reason.");
        for (reason, n) in by(&self.refused) {
            line(&mut out, "refused_total", &format!("{{reason=\"{reason}\"}}"), &n.to_string());
        }
        head(&mut out, "requests_total", "counter", "Requests answered, by route and status.");
        for ((route, status), n) in self.requests.lock().unwrap_or_else(PoisonError::into_inner).iter() {
            let labels = format!("{{route=\"{route}\",status=\"{status}\"}}");
            line(&mut out, "requests_total", &labels, &n.to_string());
        }
        head(&mut out, "lag_seconds", "histogram", "How long frames waited for their crew's turn.");
        for (end, class) in LAG_MS.iter().zip(&self.lag) {
            let labels = format!("{{le=\"{}\"}}", *end as f64 / 1000.0);
            line(&mut out, "lag_seconds_bucket", &labels, &total(class));
        }
        line(&mut out, "lag_seconds_bucket", "{le=\"+Inf\"}", &total(&self.lag_count));
        let sum = self.lag_us.load(Ordering::Relaxed) as f64 / 1e6;
        line(&mut out, "lag_seconds_sum", "", &sum.to_string());
        line(&mut out, "lag_seconds_count", "", &total(&self.lag_count));
        out
    }
}

fn head(out: &mut String, name: &str, kind: &str, help: &str) {
    // Writing to a text cannot fail.
    let _ = writeln!(out, "# HELP embertally_{name} {help}\n# TYPE embertally_{name} {kind}");
}

fn line(out: &mut String, name: &str, labels: &str, value: &str) {
    let _ = writeln!(out, "embertally_{name}{labels} {value}");
}

fn one(out: &mut String, name: &str, kind: &str, help: &str, value: &str) {
    head(out, name, kind, help);
    line(out, name, "", value);
}
