//! The tables of two groups in `tests/fixtures/`, computed to forty digits by `make_two_by_two.py` and there compared
//! with scipy and statsmodels.

use embertally_stats::{
    StatsError, TwoByTwo, barnard_exact, boschloo_exact, breslow_day, cochran_mantel_haenszel, fisher_exact,
    mantel_haenszel, newcombe_difference, odds_ratio, risk_ratio,
};

use crate::fixtures::{Worst, relative_error, rows};

const TWO_BY_TWO: &str = include_str!("fixtures/two_by_two.csv");
const UNCONDITIONAL: &str = include_str!("fixtures/unconditional.csv");
const STRATA: &str = include_str!("fixtures/strata.csv");

/// The relative error allowed, everywhere.
const ALLOWED: f64 = 1e-9;

/// A statistic that should be 0 is the square of a rounding.
const NOTHING: f64 = 1e-20;

fn parsed(text: &str) -> Option<f64> {
    (!text.is_empty()).then(|| text.parse().unwrap())
}

#[track_caller]
fn compare(worst: &mut Worst, case: &str, kind: &str, got: Option<f64>, want: &str) {
    let want = parsed(want);
    let (Some(got), Some(want)) = (got, want) else {
        assert_eq!(got, want, "{case}: {kind}");
        return;
    };
    if want.abs() < NOTHING && got.abs() < NOTHING {
        return;
    }
    let error = relative_error(got, want);
    assert!(error <= ALLOWED, "{case}: {kind} {got:e}, not {want:e}, off by {error:e}");
    worst.note(kind.to_owned(), error);
}

#[test]
fn tables_of_two_groups_have_the_promised_digits() {
    let mut worst = Worst::default();
    let mut seen = 0;
    let header = "a,n1,c,n2,level,lower,higher,two_sided,conditional,odds_low,odds_high,difference,difference_low,\
                  difference_high,ratio,ratio_low,ratio_high";
    for row in rows::<17>(TWO_BY_TWO, header) {
        let [a, n1, c, n2] = std::array::from_fn(|i| row[i].parse::<u64>().unwrap());
        let level: f64 = row[4].parse().unwrap();
        let case = format!("{a}/{n1} against {c}/{n2} at {level}");
        let table = TwoByTwo::new(a, n1, c, n2).unwrap();
        let fisher = fisher_exact(&table).unwrap();
        let odds = odds_ratio(&table, level).unwrap();
        let difference = newcombe_difference(&table, level).unwrap();
        let ratio = risk_ratio(&table, level).unwrap();
        let got = [
            ("fisher lower", Some(fisher.first_lower)),
            ("fisher higher", Some(fisher.first_higher)),
            ("fisher two-sided", Some(fisher.two_sided)),
            ("conditional odds ratio", odds.conditional),
            ("odds ratio low", Some(odds.low)),
            ("odds ratio high", Some(odds.high)),
            ("difference", Some(difference.value)),
            ("difference low", Some(difference.low)),
            ("difference high", Some(difference.high)),
            ("risk ratio", ratio.value),
            ("risk ratio low", Some(ratio.low)),
            ("risk ratio high", Some(ratio.high)),
        ];
        for ((kind, got), want) in got.into_iter().zip(&row[5..]) {
            compare(&mut worst, &case, kind, got, want);
        }
        seen += 1;
    }
    worst.print();
    assert!(seen >= 1_000, "only {seen} rows");
}

#[test]
fn sets_of_strata_have_the_promised_digits() {
    let mut worst = Worst::default();
    let mut seen = 0;
    let header = "tables,level,cmh,cmh_p,cmh_corrected,cmh_corrected_p,odds,low,high,bd,bd_p,tarone,tarone_p,degrees";
    for row in rows::<14>(STRATA, header) {
        let level: f64 = row[1].parse().unwrap();
        let case = format!("{} at {level}", row[0]);
        let strata: Vec<TwoByTwo> = row[0]
            .split(' ')
            .map(|text| {
                let mut cells = text.split(':').map(|cell| cell.parse().unwrap());
                let [a, n1, c, n2] = std::array::from_fn(|_| cells.next().unwrap());
                TwoByTwo::new(a, n1, c, n2).unwrap()
            })
            .collect();
        let cmh = cochran_mantel_haenszel(&strata).unwrap();
        let odds = mantel_haenszel(&strata, level).unwrap();
        let alike = breslow_day(&strata);
        let used = strata.len() - cmh.without_information.len();
        assert_eq!(used - 1, row[13].parse::<usize>().unwrap(), "{case}");
        if let Err(error) = &alike {
            let is_stated = matches!(error, StatsError::TooFewStrata { .. } | StatsError::OneSidedStrata);
            assert!(is_stated && row[9].is_empty(), "{case}: {error}");
        }
        let alike = alike.ok();
        let got = [
            ("CMH", Some(cmh.statistic)),
            ("CMH p", Some(cmh.p)),
            ("CMH corrected", Some(cmh.statistic_corrected)),
            ("CMH corrected p", Some(cmh.p_corrected)),
            ("MH odds ratio", Some(odds.value)),
            ("RBG low", odds.interval.map(|i| i.0)),
            ("RBG high", odds.interval.map(|i| i.1)),
            ("Breslow-Day", alike.as_ref().map(|b| b.statistic)),
            ("Breslow-Day p", alike.as_ref().map(|b| b.p)),
            ("Tarone", alike.as_ref().map(|b| b.statistic_tarone)),
            ("Tarone p", alike.as_ref().map(|b| b.p_tarone)),
        ];
        for ((kind, got), want) in got.into_iter().zip(&row[2..]) {
            compare(&mut worst, &case, kind, got, want);
        }
        seen += 1;
    }
    worst.print();
    assert!(seen >= 1_000, "only {seen} rows");
}

#[test]
fn unconditional_tests_find_the_largest_probability() {
    let mut worst = Worst::default();
    let mut seen = 0;
    let header = "a,n1,c,n2,boschloo_lower,boschloo_higher,barnard_lower,barnard_higher,barnard";
    for row in rows::<9>(UNCONDITIONAL, header) {
        let [a, n1, c, n2] = std::array::from_fn(|i| row[i].parse::<u64>().unwrap());
        let case = format!("{a}/{n1} against {c}/{n2}");
        let table = TwoByTwo::new(a, n1, c, n2).unwrap();
        let boschloo = boschloo_exact(&table).unwrap();
        let barnard = barnard_exact(&table).unwrap();
        let got = [
            ("Boschloo lower", boschloo.first_lower),
            ("Boschloo higher", boschloo.first_higher),
            ("Barnard lower", barnard.first_lower),
            ("Barnard higher", barnard.first_higher),
            ("Barnard two-sided", barnard.two_sided),
        ];
        for ((kind, got), want) in got.into_iter().zip(&row[4..]) {
            compare(&mut worst, &case, kind, Some(got), want);
        }
        seen += 1;
    }
    worst.print();
    assert!(seen >= 200, "only {seen} rows");
}
