//! Intervals drawn in the terminal.
use embertally_core::rates::Pairing;
/// One drawn bar for each measure of each pairing, and the scale above them.
pub(crate) struct Bars { pub(crate) scale: String, pub(crate) lines: Vec<Vec<String>> }
pub(crate) fn draw(found: &[Pairing], _tolerable: f64) -> Bars {
    Bars { scale: "interval".into(), lines: found.iter().map(|p| p.measures.iter().map(|m| format!("{:.3}-{:.3}", m.rate.low, m.rate.high)).collect()).collect() }
}
