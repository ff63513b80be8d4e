//! The five columns of a delay, which must not contradict each other.

use super::column::Column;
use super::decimal::Decimal;
use super::marks::Marks;
use super::parse::{CellError, Cells, number, whole};
use crate::facts::{Delay, DelayInterval};

/// The longest delay, in microseconds: what an entry can hold.
const MAX_US: u64 = u32::MAX as u64;

/// The fastest camera, in frames a thousand seconds: a million a second.
const MAX_FRAMES_PER_1000_S: i128 = 1_000_000_000;

/// Reads a row's delay.
///
/// `frames` with `fps` is a clip; `delay_low_ms` with `delay_high_ms` an interval; a bare `delay_ms` the interval of its
/// written precision. A clip is kept over an interval that it meets, an interval over a bare number inside it; what
/// does not meet is a contradiction.
pub(super) fn delay(cells: &impl Cells, marks: &mut Marks) -> Result<Option<Delay>, CellError> {
    let clip = clip(cells, marks)?;
    let stated = stated(cells, marks)?;
    let bare = bare(cells, marks)?;
    if let (Some(bare), Some(other)) = (bare, stated.or(clip.map(|(_, interval)| interval)))
        && !meets(bare, other)
    {
        return Err(CellError::new(Column::DelayMs, cells, format!("it is not between {}", ends(other))));
    }
    if let (Some((_, read)), Some(stated)) = (clip, stated)
        && !meets(read, stated)
    {
        let reason = format!("the frames give {}, and delay_low_ms to delay_high_ms {}", ends(read), ends(stated));
        return Err(CellError::new(Column::Frames, cells, reason));
    }
    let interval = |i: DelayInterval| Delay::Stated { low_us: i.low_us, high_us: i.high_us };
    Ok(clip.map(|(clip, _)| clip).or(stated.map(interval)).or(bare.map(interval)))
}

fn clip(cells: &impl Cells, marks: &mut Marks) -> Result<Option<(Delay, DelayInterval)>, CellError> {
    let frames = whole(cells, Column::Frames, 0..=u32::MAX)?;
    let fps = number(cells, Column::Fps, marks)?;
    let (frames, fps) = match (frames, fps) {
        (Some(frames), Some(fps)) => (frames, fps),
        (Some(_), None) => {
            return Err(CellError::new(
                Column::Fps,
                cells,
                "frames are counted, but fps does not say how many a second",
            ));
        }
        // A camera's rate without a count says nothing of this shot: it often stands in every row.
        (None, _) => return Ok(None),
    };
    let rate = fps.scaled(0, 1000, 1);
    if !(1..=MAX_FRAMES_PER_1000_S).contains(&rate) {
        return Err(CellError::new(Column::Fps, cells, "it must be above 0 and at most 1000000"));
    }
    let rate = u32::try_from(rate).unwrap_or(u32::MAX);
    let clip = Delay::Clip { pulse_frame: 0, light_frame: frames, frames_per_1000_s: rate };
    match clip.checked_interval() {
        Ok(interval) => Ok(Some((clip, interval))),
        Err(e) => Err(CellError::new(Column::Frames, cells, e.to_string())),
    }
}

fn stated(cells: &impl Cells, marks: &mut Marks) -> Result<Option<DelayInterval>, CellError> {
    let low = number(cells, Column::DelayLowMs, marks)?;
    let high = number(cells, Column::DelayHighMs, marks)?;
    let (low, high) = match (low, high) {
        (Some(low), Some(high)) => (low, high),
        (None, None) => return Ok(None),
        (Some(_), None) => return Err(half(Column::DelayHighMs, cells, "delay_low_ms")),
        (None, Some(_)) => return Err(half(Column::DelayLowMs, cells, "delay_high_ms")),
    };
    let low_us = micros(low.thousandths(), Column::DelayLowMs, cells)?;
    let high_us = micros(high.thousandths(), Column::DelayHighMs, cells)?;
    if low_us > high_us {
        return Err(CellError::new(Column::DelayLowMs, cells, "it is above delay_high_ms"));
    }
    Ok(Some(DelayInterval { low_us, high_us }))
}

fn half(absent: Column, cells: &impl Cells, given: &str) -> CellError {
    CellError::new(absent, cells, format!("{given} is given, and an interval needs both ends"))
}

fn bare(cells: &impl Cells, marks: &mut Marks) -> Result<Option<DelayInterval>, CellError> {
    let Some(number) = number(cells, Column::DelayMs, marks)? else { return Ok(None) };
    let ends = Decimal::written_interval(number);
    let low_us = micros(ends.map(|(low, _)| low), Column::DelayMs, cells)?;
    let high_us = micros(ends.map(|(_, high)| high), Column::DelayMs, cells)?;
    Ok(Some(DelayInterval { low_us, high_us }))
}

fn micros(us: Option<u64>, column: Column, cells: &impl Cells) -> Result<u32, CellError> {
    match us {
        Some(us) if us <= MAX_US => Ok(u32::try_from(us).unwrap_or(u32::MAX)),
        _ => Err(CellError::new(column, cells, "it must be from 0 to 4294967 milliseconds")),
    }
}

fn meets(a: DelayInterval, b: DelayInterval) -> bool {
    a.low_us <= b.high_us && b.low_us <= a.high_us
}

fn ends(i: DelayInterval) -> String {
    format!("{} and {} ms", i.low_ms(), i.high_ms())
}
