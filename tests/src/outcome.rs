//! What a run of the tool came to.

use std::process::Output;

use serde_json::Value;

/// What a run printed and how it ended.
#[derive(Debug)]
pub struct Outcome {
    call: String,
    /// The exit code; none if a signal ended it.
    pub code: Option<i32>,
    /// What it printed as the result.
    pub stdout: Vec<u8>,
    /// What it said.
    pub stderr: String,
}

impl Outcome {
    /// Takes the output of a call, and checks what must hold of every call: it did not break down, it knows why it
    /// refuses, and it prints no colour into a pipe.
    #[track_caller]
    pub fn new(call: &str, output: Output) -> Self {
        let stderr = String::from_utf8_lossy(&output.stderr).into_owned();
        let outcome = Self { call: call.to_owned(), code: output.status.code(), stdout: output.stdout, stderr };
        assert!(matches!(outcome.code, Some(0..=2)), "it broke down ({}): {outcome:#?}", output.status);
        for bad in ["panicked", "E_INTERNAL", "A mistake in this program"] {
            assert!(!outcome.stderr.contains(bad), "it broke down: {outcome:#?}");
        }
        assert!(outcome.code == Some(0) || !outcome.stderr.trim().is_empty(), "it gives no reason: {outcome:#?}");
        let is_coloured = outcome.stdout.contains(&0x1b) || outcome.stderr.contains('\x1b');
        assert!(!is_coloured, "it prints colour into a pipe: {outcome:#?}");
        outcome
    }

    /// Asserts the exit code.
    #[track_caller]
    pub fn ended_with(self, code: i32) -> Self {
        assert_eq!(self.code, Some(code), "`{}` said: {}", self.call, self.stderr);
        self
    }

    /// Returns the result as text.
    #[track_caller]
    pub fn text(&self) -> &str {
        std::str::from_utf8(&self.stdout).expect("the result is not UTF-8")
    }

    /// Returns the result, which must be one JSON object and nothing else.
    #[track_caller]
    pub fn object(&self) -> Value {
        let value: Value = serde_json::from_slice(&self.stdout)
            .unwrap_or_else(|e| panic!("`{}` did not print one JSON object ({e}): {}", self.call, self.text()));
        assert!(value.is_object(), "`{}` printed JSON that is no object: {value}", self.call);
        value
    }

    /// Asserts that it said something.
    #[track_caller]
    pub fn saying(self, text: &str) -> Self {
        assert!(self.stderr.contains(text), "`{}` does not say {text:?}: {}", self.call, self.stderr);
        self
    }
}
