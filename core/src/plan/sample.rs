//! Sampling plans for a lot: by the tables, or for two qualities and two risks; and what they let through.

use embertally_stats::{AcceptancePlan, Inspection, InspectionLevel, SamplingError, mil_std_105e, plan_for_risks};
use serde::Serialize;

/// Points of the curve that is drawn and printed.
const POINTS: u32 = 40;

/// One point of the operating characteristic.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct OcPoint {
    /// The failure rate of the lot.
    pub rate: f64,
    /// The bad ones in it that this is; null without a lot's size.
    pub bad: Option<u64>,
    /// The probability of accepting it.
    pub accepts: f64,
}

/// With which probability a lot of any quality is accepted.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct OperatingCharacteristic {
    /// How many are fired.
    pub shots: u64,
    /// With how many failures at most the lot is accepted.
    pub accept: u64,
    /// The lot's size, if it was given; the curve is then hypergeometric.
    pub lot_size: Option<u64>,
    /// How many are left of the lot.
    pub left: Option<u64>,
    /// `binomial` or `hypergeometric`.
    pub rule: &'static str,
    /// The failure rate accepted with 95 %: what a maker may count on. Binomial.
    pub rate_accepted_with_95: f64,
    /// The one accepted with 50 %.
    pub rate_accepted_with_50: f64,
    /// The one accepted with 10 %: worse ones are mostly found.
    pub rate_accepted_with_10: f64,
    /// The curve, from a rate of 0 up to where nothing is accepted any more.
    pub curve: Vec<OcPoint>,
}

/// Returns the operating characteristic of a single sampling plan.
///
/// # Errors
/// [`SamplingError`]: no plan, or a sample larger than the lot.
pub fn operating_characteristic(
    shots: u64,
    accept: u64,
    lot_size: Option<u64>,
) -> Result<OperatingCharacteristic, SamplingError> {
    let plan = AcceptancePlan::new(shots, accept)?;
    let last = plan.rate_accepted_with(0.001)?.min(1.0);
    let curve = match lot_size {
        None => (0..=POINTS)
            .map(|k| {
                let rate = last * f64::from(k) / f64::from(POINTS);
                Ok(OcPoint { rate, bad: None, accepts: plan.accepts(rate)? })
            })
            .collect::<Result<Vec<_>, SamplingError>>()?,
        Some(lot) => {
            let end = ((last * lot as f64).ceil() as u64).clamp(1, lot);
            let step = end.div_ceil(u64::from(POINTS)).max(1);
            (0..=end)
                .step_by(usize::try_from(step).unwrap_or(usize::MAX))
                .map(|bad| {
                    let rate = bad as f64 / lot as f64;
                    Ok(OcPoint { rate, bad: Some(bad), accepts: plan.accepts_lot(lot, bad)? })
                })
                .collect::<Result<Vec<_>, SamplingError>>()?
        }
    };
    Ok(OperatingCharacteristic {
        shots,
        accept,
        lot_size,
        left: lot_size.map(|lot| lot.saturating_sub(shots)),
        rule: if lot_size.is_some() { "hypergeometric" } else { "binomial" },
        rate_accepted_with_95: plan.rate_accepted_with(0.95)?,
        rate_accepted_with_50: plan.rate_accepted_with(0.5)?,
        rate_accepted_with_10: plan.rate_accepted_with(0.1)?,
        curve,
    })
}

/// What the tables say of a lot.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct TablePlan {
    /// Which tables.
    pub source: &'static str,
    /// The lot's size.
    pub lot_size: u64,
    /// The acceptable quality level, percent.
    pub aql_percent: f64,
    /// The inspection level.
    pub level: &'static str,
    /// `normal`, `tightened` or `reduced`.
    pub inspection: &'static str,
    /// The code letter of the lot.
    pub letter: char,
    /// The letter whose plan is used, where an arrow leads to another.
    pub plan_letter: char,
    /// How many are fired.
    pub shots: u64,
    /// With how many failures at most the lot is accepted.
    pub accept: u64,
    /// From how many on it is rejected.
    pub reject: u64,
    /// Whether the sample would be the whole lot, or more than it.
    pub takes_whole_lot: bool,
    /// What the plan lets through; null where it takes the whole lot.
    pub operating_characteristic: Option<OperatingCharacteristic>,
    /// The probability of accepting a lot that is just of the AQL; null as above.
    pub accepts_at_aql: Option<f64>,
}

/// Returns the single sampling plan of MIL-STD-105E for a lot.
///
/// Under reduced inspection the curve counts a lot in the gap between the two numbers as accepted, as the standard
/// does.
///
/// # Errors
/// [`SamplingError`]: a lot or an AQL that the tables do not have.
pub fn table_plan(
    lot_size: u64,
    aql_percent: f64,
    level: InspectionLevel,
    inspection: Inspection,
) -> Result<TablePlan, SamplingError> {
    let found = mil_std_105e(lot_size, aql_percent, level, inspection)?;
    let characteristic = found.plan.map(|p| operating_characteristic(p.shots(), p.accept(), Some(lot_size)));
    let at_aql = found.plan.map(|p| p.accepts(aql_percent / 100.0));
    Ok(TablePlan {
        source: "MIL-STD-105E (1989), single sampling",
        lot_size,
        aql_percent,
        level: level.name(),
        inspection: inspection.name(),
        letter: found.letter,
        plan_letter: found.plan_letter,
        shots: found.shots,
        accept: found.accept,
        reject: found.reject,
        takes_whole_lot: found.plan.is_none(),
        operating_characteristic: characteristic.transpose()?,
        accepts_at_aql: at_aql.transpose()?,
    })
}

/// A plan for two qualities and two risks.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct DesignedPlan {
    /// The rate that should be accepted.
    pub good: f64,
    /// The risk of rejecting it.
    pub alpha: f64,
    /// The rate that should be rejected.
    pub bad: f64,
    /// The risk of accepting it.
    pub beta: f64,
    /// What the plan lets through.
    #[serde(flatten)]
    pub characteristic: OperatingCharacteristic,
}

/// Returns the plan of the fewest shots that keeps both risks; binomial, so a lot's own curve is a little kinder.
///
/// # Errors
/// [`SamplingError`].
pub fn designed_plan(
    good: f64,
    alpha: f64,
    bad: f64,
    beta: f64,
    lot_size: Option<u64>,
) -> Result<DesignedPlan, SamplingError> {
    let plan = plan_for_risks(good, alpha, bad, beta)?;
    let characteristic = operating_characteristic(plan.shots(), plan.accept(), lot_size)?;
    Ok(DesignedPlan { good, alpha, bad, beta, characteristic })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn lot_of_1500_at_one_percent_is_k_125_3() {
        // MIL-STD-105E Tables I and II-A.
        let plan = table_plan(1_500, 1.0, InspectionLevel::II, Inspection::Normal).unwrap();
        assert_eq!((plan.letter, plan.shots, plan.accept, plan.reject), ('K', 125, 3, 4));
        let curve = plan.operating_characteristic.unwrap();
        assert_eq!((curve.rule, curve.left), ("hypergeometric", Some(1_375)));
        assert_eq!((curve.curve[0].accepts, curve.curve[0].bad), (1.0, Some(0)));
        assert!(curve.curve.windows(2).all(|w| w[1].accepts <= w[0].accepts && w[1].rate > w[0].rate));
        assert!(curve.curve.last().unwrap().accepts < 0.002);
    }

    #[test]
    fn sample_of_the_whole_lot_has_no_curve() {
        let plan = table_plan(6, 0.1, InspectionLevel::II, Inspection::Normal).unwrap();
        assert!(plan.takes_whole_lot && plan.operating_characteristic.is_none());
        assert!(operating_characteristic(10, 0, Some(9)).is_err());
        assert_eq!(operating_characteristic(1, 0, Some(1)).unwrap().curve.len(), 2);
    }
}
