//! A share as a percentage to read.

/// Returns a share of one as a percentage in plain text: `0 %`, `0.032 %`, `8.3 %`, `17 %`; what is nearly all is never
/// rounded up to all of it.
#[must_use]
pub fn percent(share: f64) -> String {
    let p = share * 100.0;
    match p {
        p if p == 0.0 || p == 100.0 => format!("{p:.0} %"),
        p if (99.95..100.0).contains(&p) => "> 99.9 %".to_owned(),
        p if p >= 99.0 => format!("{p:.1} %"),
        p if p < 0.001 => "< 0.001 %".to_owned(),
        p if p < 0.1 => format!("{p:.3} %"),
        p if p < 10.0 && (p - p.round()).abs() >= 0.05 => format!("{p:.1} %"),
        p => format!("{p:.0} %"),
    }
}

#[cfg(test)]
mod tests {
    use super::percent;

    #[test]
    fn nearly_all_and_nearly_none_are_not_rounded_away() {
        let said: Vec<String> =
            [0.0, 1e-9, 0.000_32, 0.02, 0.083, 0.17, 0.994, 0.999_99, 1.0].iter().map(|s| percent(*s)).collect();
        assert_eq!(said, ["0 %", "< 0.001 %", "0.032 %", "2 %", "8.3 %", "17 %", "99.4 %", "> 99.9 %", "100 %"]);
    }
}
