//! Reading what stands behind the question mark.

use std::borrow::Cow;

use crate::error::Problem;

/// The parameters of a request, in their order; a name may stand more than once.
pub(super) struct Query<'a>(Vec<(Cow<'a, str>, Cow<'a, str>)>);

impl<'a> Query<'a> {
    /// Reads them; only those named may stand there, so that a typing error is not taken for "no limit".
    ///
    /// # Errors
    /// 400.
    pub(super) fn read(text: Option<&'a str>, known: &[&str]) -> Result<Self, Problem> {
        let all: Vec<_> = form_urlencoded::parse(text.unwrap_or_default().as_bytes()).collect();
        match all.iter().find(|(name, _)| !known.contains(&name.as_ref())) {
            None => Ok(Self(all)),
            Some(_) => Err(Problem::bad_request(format!("only these parameters are known: {}", known.join(", ")))),
        }
    }

    /// Returns all values of a name.
    pub(super) fn all(&self, name: &str) -> impl Iterator<Item = &str> {
        self.0.iter().filter(move |(n, _)| n == name).map(|(_, value)| value.as_ref())
    }

    /// Returns the value of a name, or what it is without one.
    ///
    /// # Errors
    /// 400 if it stands there twice.
    pub(super) fn one<'q>(&'q self, name: &str, without: &'q str) -> Result<&'q str, Problem> {
        let mut values = self.all(name);
        match (values.next(), values.next()) {
            (None, _) => Ok(without),
            (Some(value), None) => Ok(value),
            _ => Err(Problem::bad_request(format!("{name} stands there twice"))),
        }
    }
}
