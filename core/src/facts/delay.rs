//! A delay from pulse to first light: always an interval, never a bare number, because no way of measuring gives one.

use thiserror::Error;

/// Why a measurement gives no delay.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Error)]
pub enum DelayError {
    /// The lower end is above the upper end.
    #[error("a delay from {low_us} to {high_us} µs: the lower end is above the upper end")]
    Reversed {
        /// Lower end, µs.
        low_us: u32,
        /// Upper end, µs.
        high_us: u32,
    },
    /// A frame rate of nothing.
    #[error("a frame rate of 0: give the frames a second of the clip")]
    NoFrameRate,
    /// First light before the pulse.
    #[error("first light at frame {light} is before the pulse at frame {pulse}")]
    LightBeforePulse {
        /// The frame of the pulse.
        pulse: u32,
        /// The frame of first light.
        light: u32,
    },
    /// Over an hour and ten minutes.
    #[error("the delay is longer than 4294 s, the most that a shot can have")]
    TooLong,
}

/// How a delay was measured; the raw measurement is kept, the interval follows from it.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Delay {
    /// Read off a clip, frame by frame.
    Clip {
        /// The frame in which the pulse is seen.
        pulse_frame: u32,
        /// The frame of first light.
        light_frame: u32,
        /// Frames in a thousand seconds (29.97 a second is 29 970).
        frames_per_1000_s: u32,
    },
    /// By hand with a stopwatch: the reading, give or take the reaction time stated.
    Stopwatch {
        /// The reading, µs.
        reading_us: u32,
        /// How far off it may be on either side, µs.
        within_us: u32,
    },
    /// By a detector on the pulse: the reading, give or take its resolution.
    Detector {
        /// The reading, µs.
        reading_us: u32,
        /// How far off it may be on either side, µs.
        within_us: u32,
    },
    /// An interval that somebody stated without saying how it was found.
    Stated {
        /// Lower end, µs.
        low_us: u32,
        /// Upper end, µs.
        high_us: u32,
    },
}

/// The interval in which the true delay lies, in microseconds, both ends included.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct DelayInterval {
    /// Lower end, µs.
    pub low_us: u32,
    /// Upper end, µs.
    pub high_us: u32,
}

impl DelayInterval {
    /// Returns the lower end in milliseconds.
    #[must_use]
    pub fn low_ms(self) -> f64 {
        f64::from(self.low_us) / 1000.0
    }

    /// Returns the upper end in milliseconds.
    #[must_use]
    pub fn high_ms(self) -> f64 {
        f64::from(self.high_us) / 1000.0
    }

    /// Returns the middle, in milliseconds, for a column that has room for one number.
    #[must_use]
    pub fn middle_ms(self) -> f64 {
        (self.low_ms() + self.high_ms()) / 2.0
    }
}

impl Delay {
    /// Checks a clip's frames and keeps them.
    ///
    /// # Errors
    /// [`DelayError::NoFrameRate`], [`DelayError::LightBeforePulse`], [`DelayError::TooLong`].
    pub fn from_clip(pulse_frame: u32, light_frame: u32, frames_per_1000_s: u32) -> Result<Self, DelayError> {
        let delay = Self::Clip { pulse_frame, light_frame, frames_per_1000_s };
        delay.checked_interval().map(|_| delay)
    }

    /// Checks a stated interval and keeps it.
    ///
    /// # Errors
    /// [`DelayError::Reversed`].
    pub fn stated(low_us: u32, high_us: u32) -> Result<Self, DelayError> {
        let delay = Self::Stated { low_us, high_us };
        delay.checked_interval().map(|_| delay)
    }

    /// Returns the interval in which the true delay lies.
    ///
    /// From a clip: each of the two events happened some time within a frame, so the true delay lies within one frame
    /// either side of the counted difference (at 120 frames a second one frame is 8.33 ms); rounded outwards to whole
    /// microseconds. A reading by hand or detector: the reading, less and more what it may be off.
    ///
    /// # Errors
    /// A [`DelayError`] if the measurement contradicts itself, as one from outside may.
    pub fn checked_interval(self) -> Result<DelayInterval, DelayError> {
        match self {
            Self::Clip { pulse_frame, light_frame, frames_per_1000_s } => {
                if frames_per_1000_s == 0 {
                    return Err(DelayError::NoFrameRate);
                }
                let counted = light_frame
                    .checked_sub(pulse_frame)
                    .ok_or(DelayError::LightBeforePulse { pulse: pulse_frame, light: light_frame })?;
                let (counted, rate) = (u64::from(counted), u64::from(frames_per_1000_s));
                let low = counted.saturating_sub(1) * 1_000_000_000 / rate;
                let high = ((counted + 1) * 1_000_000_000).div_ceil(rate);
                Ok(DelayInterval {
                    low_us: u32::try_from(low).map_err(|_| DelayError::TooLong)?,
                    high_us: u32::try_from(high).map_err(|_| DelayError::TooLong)?,
                })
            }
            Self::Stopwatch { reading_us, within_us } | Self::Detector { reading_us, within_us } => Ok(DelayInterval {
                low_us: reading_us.saturating_sub(within_us),
                high_us: reading_us.checked_add(within_us).ok_or(DelayError::TooLong)?,
            }),
            Self::Stated { low_us, high_us } if low_us > high_us => Err(DelayError::Reversed { low_us, high_us }),
            Self::Stated { low_us, high_us } => Ok(DelayInterval { low_us, high_us }),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_clip_at_120_frames_is_good_to_one_frame_either_side() {
        // One frame at 120 a second is 8.33 ms: 12 frames counted are 100 ms, true delay 91.67 to 108.33 ms.
        let d = Delay::from_clip(30, 42, 120_000).unwrap().checked_interval().unwrap();
        assert_eq!(d, DelayInterval { low_us: 91_666, high_us: 108_334 });
    }

    #[test]
    fn pulse_and_light_in_one_frame_is_at_most_one_frame() {
        let d = Delay::from_clip(7, 7, 30_000).unwrap().checked_interval().unwrap();
        assert_eq!(d, DelayInterval { low_us: 0, high_us: 33_334 });
    }

    #[test]
    fn contradictions_are_named() {
        assert_eq!(Delay::from_clip(9, 7, 30_000), Err(DelayError::LightBeforePulse { pulse: 9, light: 7 }));
        assert_eq!(Delay::from_clip(1, 7, 0), Err(DelayError::NoFrameRate));
        assert_eq!(Delay::from_clip(0, u32::MAX, 1), Err(DelayError::TooLong));
        assert_eq!(Delay::stated(5, 4), Err(DelayError::Reversed { low_us: 5, high_us: 4 }));
    }

    #[test]
    fn a_stopwatch_gives_its_reaction_time_on_both_sides() {
        let d = Delay::Stopwatch { reading_us: 150_000, within_us: 200_000 }.checked_interval().unwrap();
        assert_eq!(d, DelayInterval { low_us: 0, high_us: 350_000 });
    }
}
