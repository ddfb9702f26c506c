//! False symptoms on healthy series: autocorrelated, seasonal, quantised, changing notch.

use crate::common::{Noise, channel, class, epoch};
use notchwatch_detect::{Plan, Settings, UnitModel};
use notchwatch_model::{Change, ChannelName, ChannelValue, Class, FindingKind, OperationRule, Row, Span};

/// One healthy channel: autocorrelation from minute to minute, daily swing and rounding step in its own spreads.
struct Kind {
    phi: f64,
    swing: f64,
    step: f64,
}

const KINDS: [Kind; 9] = [
    Kind { phi: 0.0, swing: 0.0, step: 0.0 },
    Kind { phi: 0.9, swing: 0.0, step: 0.0 },
    Kind { phi: 0.99, swing: 0.0, step: 0.0 },
    Kind { phi: 0.0, swing: 2.0, step: 0.0 },
    Kind { phi: 0.9, swing: 2.0, step: 0.0 },
    Kind { phi: 0.99, swing: 5.0, step: 0.0 },
    Kind { phi: 0.9, swing: 0.0, step: 1.0 },
    Kind { phi: 0.99, swing: 2.0, step: 0.5 },
    Kind { phi: 0.9, swing: 1.0, step: 4.0 },
];

/// Raised symptoms over so many days of minutes.
fn symptoms(class: &Class, days: i64, mut values: impl FnMut(f64) -> Vec<Option<f64>>) -> Vec<(i64, String)> {
    let plan = Plan::new(class, &Settings::default());
    let mut model = UnitModel::new(&plan);
    let mut raised = Vec::new();
    for minute in 0..days * 1440 {
        let time = epoch() + Span::from_mins(minute);
        let row = Row { time, values: values(time.of_day().secs_f64() / 86_400.0) };
        for change in model.step(&plan, &row) {
            if change.change == Change::Raised {
                let s = change.symptom;
                let about = s.kind.about();
                raised.push((
                    minute,
                    format!("{} {} {about} {:.1} {:?}", s.channel, s.kind.word(), s.spreads, s.numbers),
                ));
            }
        }
    }
    raised
}

#[expect(clippy::disallowed_methods, reason = "a longer run for people who measure")]
fn days() -> i64 {
    std::env::var("NOTCHWATCH_HEALTHY_DAYS").ok().and_then(|d| d.parse().ok()).unwrap_or(60)
}

#[test]
fn healthy_channels_are_quiet() {
    let class = class((0..KINDS.len()).map(|i| channel(&format!("k{i}"))).collect());
    let mut noise = Noise::new(77);
    let mut state = [0.0; KINDS.len()];
    let days = days();
    let raised = symptoms(&class, days, |phase| {
        KINDS
            .iter()
            .zip(&mut state)
            .map(|(k, s)| {
                *s = k.phi * *s + (1.0 - k.phi * k.phi).sqrt() * noise.normal();
                let x = 100.0 + *s + k.swing * (std::f64::consts::TAU * phase).sin();
                Some(if k.step > 0.0 { (x / k.step).round() * k.step } else { x })
            })
            .collect()
    });
    for (minute, what) in &raised {
        println!("day {}: {what}", minute / 1440);
    }
    let machine = raised.iter().filter(|(_, w)| w.contains(&FindingKind::Machine.to_string())).count();
    #[expect(clippy::cast_precision_loss, reason = "small counts")]
    let per_year = machine as f64 / (days as f64 / 365.0) / KINDS.len() as f64;
    println!(
        "{machine} machine symptoms and {} others in {days} days of {} channels: {per_year:.2} a channel-year",
        raised.len() - machine,
        KINDS.len()
    );
    assert!(machine <= 1, "{raised:?}");
}

/// Notches held for minutes to tens of minutes, a level for each, a lag of some minutes, weather as covariate.
#[test]
fn a_unit_that_changes_notch_is_quiet() {
    let mut notch_channel = channel("throttle_notch");
    notch_channel.judged = false;
    let mut ambient = channel("ambient");
    ambient.judged = false;
    let mut temperature = channel("coolant");
    temperature.resolution = 0.1;
    temperature.covariates = vec![ChannelName::new("ambient").unwrap()];
    temperature.settle_s = 600;
    let mut pressure = channel("oil");
    pressure.resolution = 1.0;
    pressure.value = ChannelValue::Number;
    let mut class = class(vec![notch_channel, ambient, temperature, pressure]);
    class.operation = OperationRule {
        notch: Some(ChannelName::new("throttle_notch").unwrap()),
        steady_after_s: 120,
        ..OperationRule::default()
    };
    let mut noise = Noise::new(78);
    let (mut notch, mut left, mut lag, mut weather, mut slow) = (0.0, 0, 70.0, 0.0, 0.0);
    let days = days();
    let raised = symptoms(&class, days, |phase| {
        if left == 0 {
            notch = if noise.uniform() < 0.4 { 0.0 } else { (noise.uniform() * 9.0).floor() };
            left = 3 + whole(30.0 * -noise.uniform().ln());
        }
        left -= 1;
        weather = 0.9995 * weather + 0.1 * noise.normal();
        slow = 0.99 * slow + 0.14 * noise.normal();
        let ambient = 15.0 + weather + 6.0 * (std::f64::consts::TAU * phase).sin();
        lag += 0.25 * (70.0 + 1.5 * notch + 0.2 * ambient - lag);
        let oil = 240.0 + 40.0 * notch + 3.0 * slow + noise.normal();
        let coolant = lag + 0.3 * noise.normal();
        vec![Some(notch), Some(ambient), Some((coolant * 10.0).round() / 10.0), Some(oil.round())]
    });
    for (minute, what) in &raised {
        println!("day {}: {what}", minute / 1440);
    }
    assert!(raised.len() <= 1, "{raised:?}");
}

#[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "a dwell time of minutes")]
fn whole(x: f64) -> u32 {
    x.round().min(600.0) as u32
}
