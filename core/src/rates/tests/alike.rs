//! Models and trends where shots of one volley are alike.

use super::*;

/// Volleys of ten that fail whole or not at all: as good as one shot each.
fn whole_or_nothing(lots: &[(&str, usize, usize)]) -> Notebook {
    let mut book = Notebook::new();
    for (lot, bad, all) in lots {
        for n in 0..*all {
            let (ignition, transfer) = if n < *bad { (Failed, Unlit) } else { (Fired, Lit) };
            book.volley(lot, Wiring::Parallel, Precipitation::Dry, &[(ignition, transfer); 10]);
        }
    }
    book
}

fn of_lots(book: &Notebook) -> Model {
    let request = ModelRequest {
        measure: Measure::Raw,
        terms: vec![Term::Kind(Group::Lot)],
        level: 0.95,
        only: Vec::new(),
        at: vec![(Term::Kind(Group::Lot), "B".to_owned())],
    };
    model(&book.ledger, &request).unwrap()
}

#[test]
fn a_model_of_whole_volleys_is_widened_to_what_single_shots_would_say() {
    let found = of_lots(&whole_or_nothing(&[("A", 2, 12), ("B", 5, 8)]));
    assert!((found.design_effect - 10.0).abs() < 1e-12 && found.volleys.used == 1.0);
    let one = &found.if_circuit.coefficients[0];
    assert!(one.p.unwrap() < 1e-6 && one.p_clustered.unwrap() > 1e-3, "{one:?}");
    assert!(one.low_clustered.unwrap() < one.low.unwrap() && one.high_clustered.unwrap() > one.high.unwrap());
    // Twenty single shots of the same make-up have nearly the same test; the penalty is not divided with the likelihood.
    let mut singles = Notebook::new();
    for (lot, bad, all) in [("A", 2, 12), ("B", 5, 8)] {
        singles.singles(lot, Precipitation::Dry, Failed, Unlit, bad);
        singles.singles(lot, Precipitation::Dry, Fired, Lit, all - bad);
    }
    let plain = of_lots(&singles);
    assert!(
        plain.design_effect == 1.0
            && plain.if_circuit.coefficients[0].p == plain.if_circuit.coefficients[0].p_clustered
    );
    let (got, want) = (one.p_clustered.unwrap(), plain.if_circuit.coefficients[0].p.unwrap());
    assert!((got - want).abs() < 0.03, "{got} {want}");
    let expected = found.if_circuit.prediction.unwrap();
    assert!(expected.low_clustered < expected.low && expected.high_clustered > expected.high && expected.high < 0.75);
}
