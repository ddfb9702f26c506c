//! A figure of a board: what was measured, what others reached, what is wanted.

/// One measured figure.
pub(crate) struct Figure {
    pub(crate) name: String,
    pub(crate) value: f64,
    pub(crate) want: f64,
    /// Whether more is better.
    pub(crate) high: bool,
    /// What is published.
    pub(crate) anchor: String,
    pub(crate) detail: String,
}

impl Figure {
    /// More is better.
    pub(crate) fn high(name: &str, value: f64, want: f64, anchor: &str) -> Self {
        let (name, anchor) = (name.to_owned(), anchor.to_owned());
        Self { name, value, want, high: true, anchor, detail: String::new() }
    }

    /// Less is better.
    pub(crate) fn low(name: &str, value: f64, want: f64, anchor: &str) -> Self {
        Self { high: false, ..Self::high(name, value, want, anchor) }
    }

    pub(crate) fn detail(self, detail: String) -> Self {
        Self { detail, ..self }
    }

    pub(crate) fn met(&self) -> bool {
        if self.high { self.value >= self.want } else { self.value <= self.want }
    }
}

/// Figures on one data set, and lines of detail.
pub(crate) struct Board {
    pub(crate) title: &'static str,
    pub(crate) figures: Vec<Figure>,
    /// Markdown.
    pub(crate) notes: Vec<String>,
}

#[expect(clippy::cast_precision_loss, reason = "counts far below 2^53")]
pub(crate) fn real(n: usize) -> f64 {
    n as f64
}

/// Median; the upper of two middle values. Nought of nothing.
pub(crate) fn median(values: &[f64]) -> f64 {
    let mut sorted = values.to_vec();
    sorted.sort_unstable_by(f64::total_cmp);
    sorted.get(sorted.len() / 2).copied().unwrap_or(0.0)
}
