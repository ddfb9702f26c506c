//! Running sums of a series: what a level or a line leaves unexplained on any stretch, and the cheapest partition.

use crate::num::real;

/// Running sums of a series, of its products with the row number, and of its squares.
pub(super) struct Sums {
    y: Vec<f64>,
    xy: Vec<f64>,
    yy: Vec<f64>,
}

/// Fewest rows that a line is fitted to.
const LINE_ROWS: usize = 3;

impl Sums {
    pub(super) fn of(values: &[f64]) -> Self {
        let running = |f: &dyn Fn(usize, f64) -> f64| {
            let mut sum = 0.0;
            std::iter::once(0.0)
                .chain(values.iter().enumerate().map(|(i, v)| {
                    sum += f(i, *v);
                    sum
                }))
                .collect()
        };
        Self { y: running(&|_, v| v), xy: running(&|i, v| real(i) * v), yy: running(&|_, v| v * v) }
    }

    pub(super) fn total(&self, from: usize, to: usize) -> f64 {
        between(&self.y, from, to)
    }

    /// Sum of squares that a level leaves on rows `from..to`.
    pub(super) fn level(&self, from: usize, to: usize) -> f64 {
        let sum = self.total(from, to);
        (between(&self.yy, from, to) - sum * sum / real((to - from).max(1))).max(0.0)
    }

    /// Sum of squares that a line leaves on rows `from..to`.
    pub(super) fn line(&self, from: usize, to: usize) -> f64 {
        if to - from < LINE_ROWS {
            return 0.0;
        }
        let m = real(to - from);
        let along = between(&self.xy, from, to) - real(from + to - 1) / 2.0 * self.total(from, to);
        (self.level(from, to) - along * along / (m * (m * m - 1.0) / 12.0)).max(0.0)
    }

    /// What the cheaper of a level and a line leaves, without the line's price, and whether it is the line.
    pub(super) fn best(&self, from: usize, to: usize, line_price: f64) -> (f64, bool) {
        let level = self.level(from, to);
        if to - from < LINE_ROWS {
            return (level, false);
        }
        let line = self.line(from, to);
        if line + line_price < level { (line, true) } else { (level, false) }
    }

    /// Cheapest partition of `n` rows: nought, the first rows of all segments but the first, and `n`. Without a price of
    /// lines there are none.
    ///
    /// A start that has fallen behind the cheapest way to a row can never be worth more than that row as a start, and is
    /// dropped (Killick, Fearnhead and Eckley 2012) once that row may begin a segment. Cutting a line in two costs one line
    /// more, so it must have fallen behind by that much.
    #[expect(clippy::indexing_slicing, reason = "indices run over tables of n + 1 entries made here")]
    pub(super) fn partition(
        &self,
        n: usize,
        price: f64,
        line_price: Option<f64>,
        shortest: usize,
    ) -> Vec<usize> {
        let mut cheapest = vec![f64::INFINITY; n + 1];
        let mut from = vec![0_usize; n + 1];
        cheapest[0] = -price;
        // A start, what the cheapest way over it comes to, and up to which row it takes part.
        let mut starts: Vec<(usize, f64, usize)> = Vec::new();
        // Of two rows there is no line, so that cutting one may cost more than its price.
        let prunes = line_price.is_none() || shortest >= LINE_ROWS;
        for to in shortest..=n {
            starts.retain(|s| s.2 > to);
            if cheapest[to - shortest].is_finite() {
                starts.push((to - shortest, 0.0, usize::MAX));
            }
            for (start, way, _) in &mut starts {
                *way = cheapest[*start] + self.cost(*start, to, line_price);
                if *way + price < cheapest[to] {
                    cheapest[to] = *way + price;
                    from[to] = *start;
                }
            }
            let behind = cheapest[to] + line_price.unwrap_or(0.0);
            for start in starts.iter_mut().filter(|s| prunes && s.1 > behind) {
                start.2 = start.2.min(to + shortest);
            }
        }
        let mut found = vec![n];
        let mut at = n;
        while at > 0 {
            at = from[at];
            found.push(at);
        }
        found.reverse();
        found
    }

    /// What a segment costs, without the price of the change that begins it.
    pub(super) fn cost(&self, from: usize, to: usize, line_price: Option<f64>) -> f64 {
        let Some(line_price) = line_price else { return self.level(from, to) };
        let (left, is_line) = self.best(from, to, line_price);
        left + if is_line { line_price } else { 0.0 }
    }
}

fn between(sums: &[f64], from: usize, to: usize) -> f64 {
    sums.get(to).copied().unwrap_or(0.0) - sums.get(from).copied().unwrap_or(0.0)
}
