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
    /// The same figure cross-validated: every group of files at the setting that was best on the other groups.
    pub(crate) crossed: Option<f64>,
}

impl Figure {
    /// More is better.
    pub(crate) fn high(name: &str, value: f64, want: f64, anchor: &str) -> Self {
        let (name, anchor) = (name.to_owned(), anchor.to_owned());
        Self { name, value, want, high: true, anchor, detail: String::new(), crossed: None }
    }

    /// Less is better.
    pub(crate) fn low(name: &str, value: f64, want: f64, anchor: &str) -> Self {
        Self { high: false, ..Self::high(name, value, want, anchor) }
    }

    pub(crate) fn detail(self, detail: String) -> Self {
        Self { detail, ..self }
    }

    pub(crate) fn crossed(self, crossed: f64) -> Self {
        Self { crossed: Some(crossed), ..self }
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

/// Alarm lines that cross-validation chooses from; the chain's own is 0.5.
pub(crate) const LINES: [f64; 9] = [0.30, 0.35, 0.40, 0.45, 0.5, 0.53, 0.55, 0.56, 0.57];

/// For each group, the setting that is best by `worth` on all other groups. The first of equals, in the order of
/// distance from the default.
pub(crate) fn choose(
    groups: usize,
    settings: &[f64],
    default: f64,
    worth: impl Fn(&[usize], f64) -> f64,
) -> Vec<f64> {
    let mut settings = settings.to_vec();
    settings.sort_by(|a, b| (a - default).abs().total_cmp(&(b - default).abs()));
    (0..groups)
        .map(|out| {
            let others: Vec<usize> = (0..groups).filter(|g| *g != out).collect();
            let mut best = (f64::NEG_INFINITY, default);
            for setting in &settings {
                let value = worth(&others, *setting);
                if value > best.0 {
                    best = (value, *setting);
                }
            }
            best.1
        })
        .collect()
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
