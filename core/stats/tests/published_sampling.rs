//! Sampling plans, against what is printed.

use embertally_stats::{
    AQLS, AcceptancePlan, Inspection, InspectionLevel, SamplingError, code_letter, mil_std_105e, plan_for_risks,
};

fn plan(shots: u64, accept: u64) -> AcceptancePlan {
    AcceptancePlan::new(shots, accept).unwrap()
}

#[test]
fn operating_characteristics_are_the_printed_ones() {
    // NIST/SEMATECH e-Handbook 6.2.3.2, n = 52, c = 3; its .845 and .739 are .846 and .738, computed.
    let want = [0.998, 0.980, 0.930, 0.846, 0.738, 0.620, 0.502, 0.394, 0.300, 0.223, 0.162, 0.115];
    for (percent, want) in (1..).zip(want) {
        assert!((plan(52, 3).accepts(f64::from(percent) / 100.0).unwrap() - want).abs() < 5.1e-4);
    }
    // Kiermeier, manual of the R package AcceptanceSampling, p. 13: n = 10, c = 3.
    let want = [
        1.0, 0.9999980, 0.9999695, 0.9998529, 0.9995574, 0.9989715, 0.9979707, 0.9964239, 0.9941987, 0.9911662,
        0.9872048,
    ];
    for (percent, want) in (0..).zip(want) {
        assert!((plan(10, 3).accepts(f64::from(percent) / 100.0).unwrap() - want).abs() < 5.1e-8);
    }
    // The same, p. 14: n = 20, c = 0.
    assert!((plan(20, 0).accepts(0.05).unwrap() - 0.35848592).abs() < 5e-9);
    assert!((plan(20, 0).accepts(0.15).unwrap() - 0.03875953).abs() < 5e-9);
    // scipy.stats.hypergeom.cdf(3, 3200, 32, 125) and binom.cdf(3, 125, 0.01).
    assert!((plan(125, 3).accepts_lot(3_200, 32).unwrap() - 0.965767).abs() < 5e-7);
    assert!((plan(125, 3).accepts(0.01).unwrap() - 0.962551).abs() < 5e-7);
}

#[test]
fn qualities_of_a_plan_are_the_binomial_ones() {
    // scipy.stats.beta.isf(P, 4, 122): where MIL-STD-105E Table X-K has the Poisson values .659 1.09 1.40 … 8.04.
    let want = [0.664, 1.100, 1.403, 2.032, 2.930, 4.053, 5.266, 6.086, 7.813];
    for (probability, want) in [0.99, 0.95, 0.90, 0.75, 0.50, 0.25, 0.10, 0.05, 0.01].into_iter().zip(want) {
        let percent = plan(125, 3).rate_accepted_with(probability).unwrap() * 100.0;
        assert!((percent - want).abs() < 5.1e-4, "{probability}: {percent}");
    }
}

#[test]
fn designs_are_the_printed_ones() {
    // Kiermeier, p. 14, find.plan: 80 and 7.
    assert_eq!(plan_for_risks(0.05, 0.05, 0.15, 0.075).unwrap(), plan(80, 7));
    // R package AccSamplingDesign, vignette: 144 and 4.
    assert_eq!(plan_for_risks(0.01, 0.02, 0.05, 0.15).unwrap(), plan(144, 4));
}

#[test]
fn code_letters_are_those_of_table_i() {
    // MIL-STD-105E Table I, level II, as a public buildings guide prints it with the sample sizes.
    let want = [
        (2, 'A', 2),
        (9, 'B', 3),
        (16, 'C', 5),
        (26, 'D', 8),
        (51, 'E', 13),
        (91, 'F', 20),
        (151, 'G', 32),
        (281, 'H', 50),
        (501, 'J', 80),
        (1_201, 'K', 125),
        (3_201, 'L', 200),
        (10_001, 'M', 315),
        (35_001, 'N', 500),
        (150_001, 'P', 800),
        (500_001, 'Q', 1_250),
    ];
    for (from, letter, _) in want {
        assert_eq!(code_letter(from, InspectionLevel::II), Ok(letter));
        if from > 2 {
            assert_ne!(code_letter(from - 1, InspectionLevel::II), Ok(letter));
        }
    }
    assert_eq!(code_letter(1_000, InspectionLevel::S1), Ok('C'));
    assert_eq!(code_letter(500_001, InspectionLevel::III), Ok('R'));
    assert_eq!(code_letter(1, InspectionLevel::II), Err(SamplingError::LotTooSmall { lot_size: 1 }));
}

/// The rejection numbers of a row, from AQL 0.65 on.
fn row(lot_size: u64, inspection: Inspection) -> Vec<(u64, u64)> {
    let look = |aql: &f64| {
        let found = mil_std_105e(lot_size, *aql, InspectionLevel::II, inspection).unwrap();
        (found.shots, found.reject)
    };
    AQLS.iter().skip(9).map(look).collect()
}

#[test]
fn rows_of_the_master_tables_are_the_printed_ones() {
    // Rejection numbers at .65 1.0 1.5 2.5 4.0 6.5 10, Table II-A, as the same guide prints them.
    let with = |shots: u64, reject: &[u64]| reject.iter().map(|r| (shots, *r)).collect::<Vec<_>>();
    assert_eq!(row(1_000, Inspection::Normal), with(80, &[2, 3, 4, 6, 8, 11, 15]));
    assert_eq!(row(2_000, Inspection::Normal), with(125, &[3, 4, 6, 8, 11, 15, 22]));
    assert_eq!(row(5_000, Inspection::Normal)[..6], with(200, &[4, 6, 8, 11, 15, 22]));
    assert_eq!(row(20_000, Inspection::Normal)[..5], with(315, &[6, 8, 11, 15, 22]));
    // Table II-B.
    assert_eq!(row(2_000, Inspection::Tightened), with(125, &[2, 3, 4, 6, 9, 13, 19]));
    let k = mil_std_105e(1_500, 1.0, InspectionLevel::II, Inspection::Normal).unwrap();
    assert_eq!((k.letter, k.plan_letter, k.shots, k.accept, k.reject), ('K', 'K', 125, 3, 4));
}

#[test]
fn arrows_lead_to_the_next_plan() {
    let look = |lot, aql, inspection| {
        let f = mil_std_105e(lot, aql, InspectionLevel::II, inspection).unwrap();
        (f.letter, f.plan_letter, f.shots, f.accept, f.reject)
    };
    // AQL 1.0, Table II-A: E 0/1, F up, G down, H 1/2; from memory of the table.
    assert_eq!(look(60, 1.0, Inspection::Normal), ('E', 'E', 13, 0, 1));
    assert_eq!(look(120, 1.0, Inspection::Normal), ('F', 'E', 13, 0, 1));
    assert_eq!(look(200, 1.0, Inspection::Normal), ('G', 'H', 50, 1, 2));
    // Below the first plan of a column all cells point down; above the last, up.
    assert_eq!(look(5, 0.1, Inspection::Normal), ('A', 'K', 125, 0, 1));
    assert_eq!(look(20_000, 10.0, Inspection::Normal), ('M', 'K', 125, 21, 22));
    // Table II-B: F 0/1, G and H down, J 1/2. Its letter S: 3,150.
    assert_eq!(look(120, 1.0, Inspection::Tightened), ('F', 'F', 20, 0, 1));
    assert_eq!(look(200, 1.0, Inspection::Tightened), ('G', 'J', 80, 1, 2));
    assert_eq!(look(600_000, 0.025, Inspection::Tightened), ('Q', 'S', 3_150, 1, 2));
    // Table II-C: K 0/2 at .40, 1/3 at .65, 1/4 at 1.0, 10/13 at 10.
    let reduced = [(0.40, 0, 2), (0.65, 1, 3), (1.0, 1, 4), (1.5, 2, 5), (4.0, 5, 8), (10.0, 10, 13)];
    for (aql, accept, reject) in reduced {
        assert_eq!(look(2_000, aql, Inspection::Reduced), ('K', 'K', 50, accept, reject));
    }
    // A sample as large as the lot leaves none.
    assert_eq!(mil_std_105e(5, 0.1, InspectionLevel::II, Inspection::Normal).unwrap().plan, None);
    let odd = mil_std_105e(100, 3.0, InspectionLevel::II, Inspection::Normal);
    assert_eq!(odd, Err(SamplingError::NoSuchAql { aql: 3.0 }));
    assert!(odd.unwrap_err().to_string().contains("2.5, 4, 6.5"));
}

#[test]
fn every_cell_of_every_table_is_a_plan() {
    for inspection in [Inspection::Normal, Inspection::Tightened, Inspection::Reduced] {
        for level in InspectionLevel::ALL {
            for lot in [2, 8, 9, 25, 50, 51, 90, 91, 280, 500, 1_200, 3_200, 10_000, 35_000, 150_000, 500_000, u64::MAX]
            {
                for aql in AQLS {
                    let found = mil_std_105e(lot, aql, level, inspection).unwrap();
                    assert!(found.accept < found.reject && found.reject <= found.shots.max(22));
                    assert!(found.plan.is_none_or(|p| p.shots() < lot && p.accept() == found.reject - 1));
                }
            }
        }
    }
}
