//! A share as a percentage to read in plain text.

/// Returns a share of one as a percentage with a plain space: `0 %`, `0.032 %`, `8.3 %`, `17 %`, `over 99.9 %`; what is
/// nearly all is never rounded up to all of it.
#[must_use]
pub fn percent(share: f64) -> String {
    crate::chart::percent(share).replace('\u{a0}', " ")
}

#[cfg(test)]
mod tests {
    use super::percent;

    #[test]
    fn nearly_all_and_nearly_none_are_not_rounded_away() {
        let said: Vec<String> =
            [0.0, 1e-9, 0.000_32, 0.02, 0.083, 0.17, 0.994, 0.999_99, 1.0].iter().map(|s| percent(*s)).collect();
        assert_eq!(said, ["0 %", "under 0.001 %", "0.032 %", "2 %", "8.3 %", "17 %", "99.4 %", "over 99.9 %", "100 %"]);
    }
}
