//! How a line is marked: by a word and a shape first, by a colour second.

/// What a line says of its pairing.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Default)]
pub enum Tone {
    /// Nothing but the numbers.
    #[default]
    Plain,
    /// The evidence supports using it.
    Use,
    /// Too little is known.
    TestMore,
    /// More likely than not worse than is tolerable.
    Restrict,
    /// Very likely worse than is tolerable.
    SetAside,
}

impl Tone {
    /// The four verdicts, worst first.
    pub const VERDICTS: [Self; 4] = [Self::SetAside, Self::Restrict, Self::TestMore, Self::Use];

    /// Returns the words for it; none for the plain one.
    #[must_use]
    pub const fn words(self) -> &'static str {
        match self {
            Self::Plain => "",
            Self::Use => "use",
            Self::TestMore => "test more",
            Self::Restrict => "restrict",
            Self::SetAside => "set aside",
        }
    }

    /// Returns the class that the style sheet knows it by.
    #[must_use]
    pub const fn class(self) -> &'static str {
        match self {
            Self::Plain => "tone-plain",
            Self::Use => "tone-use",
            Self::TestMore => "tone-test-more",
            Self::Restrict => "tone-restrict",
            Self::SetAside => "tone-set-aside",
        }
    }

    /// Returns its mark as an SVG shape around a point: each tone has a shape of its own, for eyes and printers that
    /// do not tell the colours apart.
    pub(super) fn mark(self, x: f64, y: f64) -> String {
        let class = self.class();
        match self {
            Self::Plain | Self::Use => format!(r#"<circle class="chart-mark {class}" cx="{x:.1}" cy="{y:.1}" r="5"/>"#),
            Self::TestMore => {
                format!(r#"<circle class="chart-mark chart-hollow {class}" cx="{x:.1}" cy="{y:.1}" r="4.5"/>"#)
            }
            Self::Restrict => {
                format!(r#"<path class="chart-mark {class}" d="M{x:.1} {:.1}l6.5 6.5l-6.5 6.5l-6.5 -6.5z"/>"#, y - 6.5)
            }
            Self::SetAside => format!(
                r#"<rect class="chart-mark {class}" x="{:.1}" y="{:.1}" width="10" height="10"/>"#,
                x - 5.0,
                y - 5.0
            ),
        }
    }

    /// Returns its mark as a small drawing to stand before its words in running text.
    #[must_use]
    pub fn icon(self) -> String {
        format!(r#"<svg class="chart-icon" viewBox="0 0 16 16" aria-hidden="true">{}</svg>"#, self.mark(8.0, 8.0))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn each_verdict_has_words_a_class_and_a_shape_of_its_own() {
        for (n, a) in Tone::VERDICTS.iter().enumerate() {
            for b in &Tone::VERDICTS[n + 1..] {
                assert_ne!(a.words(), b.words());
                assert_ne!(a.class(), b.class());
                let shape = |t: &Tone| t.mark(8.0, 8.0).replace(t.class(), "");
                assert_ne!(shape(a), shape(b));
            }
        }
    }
}
