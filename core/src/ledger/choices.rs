//! Sets of words, and what they add up to.

use std::fmt;
use std::marker::PhantomData;

use crate::facts::{Cause, Ignition, Transfer};

/// A word that people choose, with its number.
pub trait Choice: Copy + PartialEq + 'static {
    /// All choices; fewer than eight.
    const CHOICES: &'static [Self];

    /// Returns its word.
    fn text(self) -> &'static str;

    /// Returns its place among the choices.
    fn place(self) -> u8;
}

macro_rules! choice {
    ($($name:ident),+) => {$(
        impl Choice for $name {
            const CHOICES: &'static [Self] = Self::ALL;

            fn text(self) -> &'static str {
                self.word()
            }

            fn place(self) -> u8 {
                self.number()
            }
        }
    )+};
}

choice!(Ignition, Transfer, Cause);

/// A set of words.
#[derive(Clone, Copy, PartialEq, Eq, Hash)]
pub struct Choices<T>(u8, PhantomData<T>);

impl<T> Default for Choices<T> {
    fn default() -> Self {
        Self(0, PhantomData)
    }
}

impl<T: Choice> Choices<T> {
    /// Returns the set of one word.
    #[must_use]
    pub fn of(word: T) -> Self {
        Self(1 << (word.place() & 7), PhantomData)
    }

    /// Tells whether the set is empty.
    #[must_use]
    pub fn is_empty(self) -> bool {
        self.0 == 0
    }

    /// Tells whether the word is in the set.
    #[must_use]
    pub fn contains(self, word: T) -> bool {
        self.0 & Self::of(word).0 != 0
    }

    /// Returns the set with the word.
    #[must_use]
    pub fn with(self, word: T) -> Self {
        Self(self.0 | Self::of(word).0, PhantomData)
    }

    /// Returns the set without the word.
    #[must_use]
    pub fn without(self, word: T) -> Self {
        Self(self.0 & !Self::of(word).0, PhantomData)
    }

    /// Returns the words, in the order of their numbers.
    pub fn iter(self) -> impl Iterator<Item = T> {
        T::CHOICES.iter().copied().filter(move |word| self.contains(*word))
    }

    /// Returns the word if there is exactly one.
    #[must_use]
    pub fn only(self) -> Option<T> {
        self.iter().next().filter(|word| self == Self::of(*word))
    }
}

impl<T: Choice> fmt::Debug for Choices<T> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_set().entries(self.iter().map(T::text)).finish()
    }
}

impl<T: Choice> fmt::Display for Choices<T> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        for (i, word) in self.iter().enumerate() {
            write!(f, "{}{}", if i == 0 { "" } else { " or " }, word.text())?;
        }
        Ok(())
    }
}

/// What the words on one field add up to.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Default)]
pub enum Outcome<T: Choice> {
    /// Nobody said anything.
    #[default]
    Nothing,
    /// All who said something said this.
    Agreed(T),
    /// A ruling says this.
    Ruled(T),
    /// These were said; where rulings contradict each other, by rulings.
    Disputed(Choices<T>),
}

impl<T: Choice> Outcome<T> {
    pub(super) fn weigh(ruled: Choices<T>, said: Choices<T>) -> Self {
        match (ruled.only(), said.only()) {
            (Some(word), _) => Self::Ruled(word),
            _ if !ruled.is_empty() => Self::Disputed(ruled),
            (_, Some(word)) => Self::Agreed(word),
            _ if said.is_empty() => Self::Nothing,
            _ => Self::Disputed(said),
        }
    }

    /// Returns all words that may hold.
    #[must_use]
    pub fn values(self) -> Choices<T> {
        match self {
            Self::Nothing => Choices::default(),
            Self::Agreed(word) | Self::Ruled(word) => Choices::of(word),
            Self::Disputed(words) => words,
        }
    }

    /// Returns the word, agreed or ruled.
    #[must_use]
    pub fn settled(self) -> Option<T> {
        match self {
            Self::Agreed(word) | Self::Ruled(word) => Some(word),
            Self::Nothing | Self::Disputed(_) => None,
        }
    }

    /// Tells whether it is in dispute.
    #[must_use]
    pub fn is_disputed(self) -> bool {
        matches!(self, Self::Disputed(_))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn one_word_is_agreed_two_are_disputed_and_a_ruling_settles_them() {
        let none = Choices::default();
        let fired = Choices::of(Ignition::Fired);
        let both = fired.with(Ignition::Failed);
        assert_eq!(Outcome::weigh(none, none), Outcome::<Ignition>::Nothing);
        assert_eq!(Outcome::weigh(none, fired), Outcome::Agreed(Ignition::Fired));
        assert_eq!(Outcome::weigh(none, both), Outcome::Disputed(both));
        assert_eq!(Outcome::weigh(fired, both), Outcome::Ruled(Ignition::Fired));
        assert_eq!(Outcome::weigh(both, fired), Outcome::Disputed(both));
        assert_eq!(both.to_string(), "fired or failed");
        assert_eq!(Choices::of(Cause::Unresolved).only(), Some(Cause::Unresolved), "every cause has its bit");
    }
}
