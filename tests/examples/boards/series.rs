//! Generated series of many kinds, and events put into them. All invented; seeded.

use super::figure::real;
use super::noise::Noise;

/// Draws that only generated series need.
impl Noise {
    /// Uniform in a range.
    pub(crate) fn between(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * self.uniform()
    }

    /// A row of the range, uniformly.
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        clippy::cast_precision_loss,
        reason = "rows of a series"
    )]
    pub(crate) fn row(&mut self, low: usize, high: usize) -> usize {
        self.between(low as f64, high as f64) as usize
    }

    /// Pareto, from nought, with this tail.
    pub(crate) fn pareto(&mut self, tail: f64) -> f64 {
        self.uniform().powf(-1.0 / tail) - 1.0
    }
}

/// A series: seconds between rows, and the values.
pub(crate) struct Series {
    pub(crate) step: f64,
    pub(crate) values: Vec<f64>,
}

type Make = fn(&mut Noise) -> Series;

/// Kinds of series: what computers, counters, prices and sensors send.
pub(crate) const KINDS: [(&str, Make); 8] = [
    ("counts", counts),
    ("load", load),
    ("throughput", throughput),
    ("price", price),
    ("temperature", temperature),
    ("requests", requests),
    ("latency", latency),
    ("steps", steps),
];

/// Kinds of events.
pub(crate) const EVENTS: [&str; 7] = ["spike", "burst", "drop-out", "level", "spread", "trend", "stuck"];

fn wave(row: usize, step: f64, phase: f64) -> f64 {
    ((real(row) * step / 86_400.0 + phase) * std::f64::consts::TAU).cos()
}

/// Autoregressive noise of unit variance.
fn slow(noise: &mut Noise, rows: usize, phi: f64) -> Vec<f64> {
    let mut x = 0.0;
    let mut next = || {
        x = phi * x + (1.0 - phi * phi).sqrt() * noise.normal();
        x
    };
    (0..rows).map(|_| next()).collect()
}

/// Adds decaying bursts of heavy-tailed size, `count` of them.
fn bursts(noise: &mut Noise, x: &mut [f64], count: usize, size: f64, tail: f64) {
    for _ in 0..count {
        let at = noise.row(0, x.len());
        let (high, long) = (size * noise.pareto(tail).min(30.0), noise.between(1.0, 20.0));
        for (k, value) in x.iter_mut().skip(at).take(150).enumerate() {
            *value += high * (-real(k) / long).exp();
        }
    }
}

fn counts(noise: &mut Noise) -> Series {
    let (rows, step) = (9000, 300.0);
    let (base, swing, phase) = (noise.between(1.0, 3.5).exp(), noise.between(0.2, 0.8), noise.uniform());
    let wander = slow(noise, rows, 0.97);
    let mut x: Vec<f64> = wander
        .iter()
        .enumerate()
        .map(|(i, w)| base * (swing * wave(i, step, phase) + 0.15 * w).exp())
        .collect();
    bursts(noise, &mut x, 12, base, 1.8);
    // A Poisson count by its normal approximation.
    let values = x.iter().map(|m| (m + m.sqrt() * noise.normal()).round().max(0.0)).collect();
    Series { step, values }
}

fn load(noise: &mut Noise) -> Series {
    let (rows, step) = (4032, 300.0);
    let (level, spread) = (noise.between(5.0, 60.0), noise.between(0.3, 4.0));
    let (swing, phase, every) = (noise.between(0.0, 3.0), noise.uniform(), 12 * noise.row(1, 13));
    let wander = slow(noise, rows, noise_phi(spread));
    let mut x: Vec<f64> = wander
        .iter()
        .enumerate()
        .map(|(i, w)| {
            level + spread * (w + swing * wave(i, step, phase) + if i % every == 0 { 8.0 } else { 0.0 })
        })
        .collect();
    bursts(noise, &mut x, 6, spread, 1.5);
    Series { step, values: x.iter().map(|v| v.max(0.0)).collect() }
}

fn noise_phi(spread: f64) -> f64 {
    if spread > 2.0 { 0.9 } else { 0.3 }
}

fn throughput(noise: &mut Noise) -> Series {
    let (rows, step) = (4032, 300.0);
    let (width, idle) = (noise.between(0.3, 1.1), noise.between(0.0, 0.9));
    let wander = slow(noise, rows, 0.5);
    let mut x: Vec<f64> =
        wander.iter().map(|w| if noise.uniform() < idle { 0.0 } else { 1e5 * (width * w).exp() }).collect();
    bursts(noise, &mut x, 8, 1e5, 1.4);
    Series { step, values: x }
}

fn price(noise: &mut Noise) -> Series {
    let (rows, step) = (1600, 3600.0);
    let (level, width) = (noise.between(-2.0, 1.0).exp(), noise.between(0.08, 0.3));
    let (swing, phase) = (noise.between(0.0, 0.4), noise.uniform());
    let wander = slow(noise, rows, 0.5);
    let mut values: Vec<f64> = wander
        .iter()
        .enumerate()
        .map(|(i, w)| level * (width * w + swing * wave(i, step, phase)).exp())
        .collect();
    bursts(noise, &mut values, 5, level * 0.3, 1.5);
    Series { step, values }
}

fn temperature(noise: &mut Noise) -> Series {
    let (rows, step) = (7000, if noise.uniform() < 0.5 { 300.0 } else { 3600.0 });
    let (swing, phase, tilt) = (noise.between(0.0, 3.0), noise.uniform(), noise.between(-4.0, 4.0));
    let wander = slow(noise, rows, 0.98);
    let mut at = |(i, w): (usize, &f64)| {
        60.0 + 3.0 * w + swing * wave(i, step, phase) + tilt * real(i) / real(rows) + 0.3 * noise.normal()
    };
    Series { step, values: wander.iter().enumerate().map(&mut at).collect() }
}

fn requests(noise: &mut Noise) -> Series {
    let (rows, step) = (4032, 300.0);
    let (base, swing, phase) = (noise.between(1.5, 5.0).exp(), noise.between(0.2, 1.0), noise.uniform());
    let wander = slow(noise, rows, 0.95);
    let mean = |i: usize, w: &f64| base * (swing * wave(i, step, phase) + 0.15 * w).exp();
    let mut x: Vec<f64> = wander.iter().enumerate().map(|(i, w)| mean(i, w)).collect();
    bursts(noise, &mut x, 5, base, 2.0);
    Series {
        step,
        values: x.iter().map(|m| (m + 1.5 * m.sqrt() * noise.normal()).round().max(0.0)).collect(),
    }
}

fn latency(noise: &mut Noise) -> Series {
    let spread = noise.between(0.5, 3.0);
    let mut at = || 45.0 + spread * noise.heavy();
    Series { step: 300.0, values: (0..4032).map(|_| at()).collect() }
}

fn steps(noise: &mut Noise) -> Series {
    let (mut level, stay) = (noise.between(3.0, 9.0).round(), noise.between(5.0, 60.0));
    let mut at = || {
        if noise.uniform() < 1.0 / stay {
            level = (level + noise.between(-2.5, 2.5).round()).clamp(0.0, 12.0);
        }
        level + 0.1 * noise.normal()
    };
    Series { step: 300.0, values: (0..5000).map(|_| at()).collect() }
}

/// Puts an event of this kind into the series from row `at` on.
pub(crate) fn inject(series: &mut Series, event: &str, at: usize, noise: &mut Noise) {
    let x = &mut series.values;
    let before: Vec<f64> = x.iter().copied().take(at).collect();
    let mean = before.iter().sum::<f64>() / real(before.len());
    let spread = (before.iter().map(|v| (v - mean) * (v - mean)).sum::<f64>() / real(before.len())).sqrt();
    let low = before.iter().copied().fold(f64::INFINITY, f64::min);
    let floor = if low >= 0.0 { 0.0 } else { f64::NEG_INFINITY };
    let up = if noise.uniform() < 0.75 { 1.0 } else { -1.0 };
    let size = up * spread * noise.between(3.0, 7.0);
    let long = noise.row(12, 160);
    let first = x.get(at).copied().unwrap_or(mean);
    let length = match event {
        "spike" => noise.row(1, 5),
        "level" => usize::MAX,
        _ => long,
    };
    for (k, v) in x.iter_mut().skip(at).take(length).enumerate() {
        *v = match event {
            "spike" => *v + 1.5 * size,
            "burst" => *v + size * noise.between(0.6, 1.2),
            "drop-out" => low,
            "level" => *v + 0.8 * size,
            "spread" => mean + 3.5 * (*v - mean),
            "trend" => *v + size * real(k) / real(long),
            _ => first,
        }
        .max(floor);
    }
}
