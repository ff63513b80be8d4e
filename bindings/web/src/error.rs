//! Why something was refused, in the form in which the page gets it.

use embertally_core::facts::{DelayError, IdError, TimeError, WordError};
use embertally_core::log::LogError;
use embertally_core::rates::{GroupError, RatesError};
use embertally_core::store::StoreError;
use serde::Serialize;

/// A refusal: a stable code for programs and a sentence for people.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Refused {
    /// The code.
    pub code: &'static str,
    /// The sentence.
    pub text: String,
}

impl Refused {
    /// Makes a refusal.
    pub fn new(code: &'static str, text: impl Into<String>) -> Self {
        Self { code, text: text.into() }
    }

    /// Makes the refusal of what was entered wrongly.
    pub fn entry(text: impl Into<String>) -> Self {
        Self::new("E_USAGE", text)
    }
}

/// Returns a text as a sentence.
fn sentence(text: &str) -> String {
    let mut letters = text.chars();
    let mut said: String = letters.next().map(|c| c.to_uppercase().collect::<String>()).unwrap_or_default();
    said.push_str(letters.as_str());
    if !said.ends_with(['.', '!', '?']) {
        said.push('.');
    }
    said
}

macro_rules! refused {
    ($($error:ty => $code:expr),+ $(,)?) => {$(
        impl From<$error> for Refused {
            fn from(error: $error) -> Self {
                Self::new(($code)(&error), sentence(&error.to_string()))
            }
        }
    )+};
}

refused!(
    StoreError => |e: &StoreError| e.code(),
    LogError => |e: &LogError| e.code(),
    RatesError => |_: &RatesError| "E_USAGE",
    GroupError => |_: &GroupError| "E_USAGE",
    WordError => |_: &WordError| "E_USAGE",
    IdError => |_: &IdError| "E_USAGE",
    TimeError => |_: &TimeError| "E_USAGE",
    DelayError => |_: &DelayError| "E_USAGE",
    embertally_stats::StatsError => |_: &embertally_stats::StatsError| "E_USAGE",
    serde_json::Error => |_: &serde_json::Error| "E_USAGE",
);
