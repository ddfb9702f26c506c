//! Symptoms in words: titles of findings, evidence, sizes with their unit of measure.
//!
//! Owns how a number is written for people. Refuses time zones: a date is UTC and says so.

use notchwatch_model::{ChannelDef, Class, Direction, FindingKind, Regime, Symptom, SymptomKind, Time, Uom};

use crate::{Context, oil};

/// How many of its spreads an expected value must lie from zero for a change to be told as a share of it.
const SHARE_NEEDS_SPREADS: f64 = 5.0;
/// Number of a symptom that holds its largest departure so far, in its unit of measure.
pub(crate) const LARGEST: &str = "largest";
/// Share of its largest departure below which a change has gone back (common practice: a quarter).
const LITTLE_LEFT: f64 = 0.25;
/// Most operating states named in one line; more of them say nothing.
const MOST_STATES: usize = 3;
/// Pascals in a kilopascal: pressures are shown in kPa.
const PASCALS_A_KPA: f64 = 1000.0;

/// One line for a list, from the leading symptom and how many other channels are in it.
pub(crate) fn title(
    context: &Context<'_>,
    kind: FindingKind,
    (lead, lasts): (&Symptom, bool),
    other_channels: usize,
    onset: Time,
) -> String {
    let class = context.class;
    let what = name(class, lead);
    let said = said(kind, class, lead, lasts);
    let others = match other_channels {
        0 => String::new(),
        1 => ", and 1 more channel".to_owned(),
        n => format!(", and {n} more channels"),
    };
    if let Some(words) = oil::words(context, lead) {
        return words + &others.replace("channel", "result");
    }
    let place = states(&lead.states);
    let when = match lead.kind {
        _ if !lasts && returned(class, lead) => format!("(began {})", date(onset)),
        SymptomKind::CounterReset | SymptomKind::UomChange => format!("on {}", date(onset)),
        // A limit is met some time after the change began.
        SymptomKind::Limit if date(lead.onset) != date(onset) => {
            format!("since {} (began {})", date(lead.onset), date(onset))
        }
        _ => format!("since {}", date(onset)),
    };
    format!("{what} {said}{place} {when}{others}")
}

/// A symptom as evidence, such as `Oil pressure down 18 % at idle`.
pub(crate) fn evidence(class: &Class, symptom: &Symptom) -> String {
    let place = states(&symptom.states);
    let what = match symptom.kind.about() {
        FindingKind::Machine => {
            let size = size(class, symptom, departure(symptom)).map(|s| format!(" {s}")).unwrap_or_default();
            format!("{}{size}", symptom.direction.word())
        }
        _ => symptom.kind.word().replace('-', " "),
    };
    format!("{} {what}{place}", name(class, symptom))
}

/// Name of a channel for people.
pub(crate) fn label(class: &Class, channel: &str) -> String {
    let text = class.channel_ix(channel).and_then(|ix| class.channel(ix)).map_or(channel, ChannelDef::label);
    if text == channel { text.replace('_', " ") } else { text.to_owned() }
}

/// A value with its unit of measure, scaled for people.
pub(crate) fn value(value: f64, uom: Uom) -> String {
    let (value, unit) = scaled(value, uom);
    if unit.is_empty() { number(value) } else { format!("{} {unit}", number(value)) }
}

fn name(class: &Class, symptom: &Symptom) -> String {
    let text = label(class, symptom.channel.as_str());
    let mut letters = text.chars();
    letters.next().map(|c| c.to_uppercase().chain(letters).collect()).unwrap_or_default()
}

/// How far from expected, at its largest once it has gone back. The size of a limit's symptom counts from the limit, so its
/// numbers are asked.
fn departure(symptom: &Symptom) -> f64 {
    let number = |name: &str| symptom.numbers.get(name).copied();
    match (symptom.kind, number("measured"), number("expected")) {
        (SymptomKind::Limit, Some(measured), Some(expected)) => measured - expected,
        (SymptomKind::Limit, ..) => 0.0,
        _ if shrunk(symptom) => largest(symptom),
        _ => symptom.size,
    }
}

fn said(kind: FindingKind, class: &Class, lead: &Symptom, lasts: bool) -> String {
    let (back, shrunk) = (returned(class, lead), shrunk(lead));
    let told = size(class, lead, departure(lead).abs()).filter(|_| shrunk || !back);
    let distance = match told {
        Some(size) if !shrunk => format!("{size} "),
        Some(size) if lasts => format!("up to {size} "),
        Some(size) => format!("was up to {size} "),
        None if back => "no longer ".to_owned(),
        None => String::new(),
    };
    let after = if shrunk && !lasts { ", now back" } else { "" };
    let side = match lead.direction {
        Direction::Up => "above",
        Direction::Down => "below",
        Direction::None => "away from",
    };
    match lead.kind {
        SymptomKind::Limit => beyond(class, lead),
        SymptomKind::Seasonal => format!("{distance}{side} its daily pattern{after}"),
        SymptomKind::Peer => format!("{distance}{side} its sister channels{after}"),
        SymptomKind::Drift if !shrunk && !back => format!("moving away, {distance}{side} expected"),
        SymptomKind::Drift | SymptomKind::LevelShift => format!("{distance}{side} expected{after}"),
        SymptomKind::Stuck => "sensor does not move".to_owned(),
        SymptomKind::OutOfRange => "sensor reads what is not possible".to_owned(),
        SymptomKind::ImpossibleRate => "sensor jumps faster than is possible".to_owned(),
        SymptomKind::Noisy if kind == FindingKind::Machine => "unsteady".to_owned(),
        SymptomKind::Noisy => "signal much noisier than usual".to_owned(),
        SymptomKind::Disagreement => "disagrees with the channel it is tied to".to_owned(),
        SymptomKind::CounterReset => "counter was reset or exchanged".to_owned(),
        SymptomKind::UomChange => "came in another unit of measure".to_owned(),
        SymptomKind::OilSample => "out of the ordinary in an oil sample".to_owned(),
    }
}

fn beyond(class: &Class, lead: &Symptom) -> String {
    let side = if lead.direction == Direction::Down { "below" } else { "above" };
    let named = crate::limit::limit_of(class, lead).map(|l| format!(" ({})", l.name)).unwrap_or_default();
    match lead.numbers.get("limit") {
        Some(at) => format!("{side} its limit of {}{named}", value(*at, lead.uom)),
        None => format!("{side} its limit"),
    }
}

/// Whether a kind of symptom is a departure with a size.
pub(crate) fn of_size(kind: SymptomKind) -> bool {
    use SymptomKind::{Drift, LevelShift, Peer, Seasonal};
    matches!(kind, Seasonal | Peer | Drift | LevelShift)
}

/// Largest departure that was told of the symptom, in its unit of measure.
pub(crate) fn largest(symptom: &Symptom) -> f64 {
    let known = symptom.numbers.get(LARGEST).copied().unwrap_or(symptom.size);
    if known.abs() > symptom.size.abs() { known } else { symptom.size }
}

/// Whether little is left of a change: its size now would tell neither what was found nor why.
pub(crate) fn shrunk(symptom: &Symptom) -> bool {
    of_size(symptom.kind) && symptom.size.abs() < LITTLE_LEFT * largest(symptom).abs()
}

/// Whether a change that had a size has gone: less is left of it than the channel can tell, or it lies on the other side.
/// It still has a title while other evidence of the same finding lasts.
fn returned(class: &Class, lead: &Symptom) -> bool {
    let of_size = of_size(lead.kind);
    if of_size && shrunk(lead) {
        return true;
    }
    let other_side = match lead.direction {
        Direction::Up => lead.size < 0.0,
        Direction::Down => lead.size > 0.0,
        Direction::None => false,
    };
    of_size && (other_side || lead.size.abs() < resolution(class, lead))
}

/// Smallest step that the channel can tell, in its stored unit of measure; 0 when it is not stated.
fn resolution(class: &Class, symptom: &Symptom) -> f64 {
    let def = class.channel_ix(symptom.channel.as_str()).and_then(|ix| class.channel(ix));
    def.map_or(0.0, |def| def.resolution)
}

/// Size of a change: as a share of the expected value where that means something, else with its unit of measure, in
/// steps that the channel can tell. Nothing when it is smaller than that.
fn size(class: &Class, symptom: &Symptom, size: f64) -> Option<String> {
    let step = resolution(class, symptom);
    if size.abs() < f64::MIN_POSITIVE || size.abs() < step / 2.0 {
        return None;
    }
    let share = share_base(symptom).map(|expected| 100.0 * size.abs() / expected);
    match share {
        Some(percent) if percent >= 1.0 => Some(format!("{} %", number(percent.round()))),
        Some(percent) => Some(format!("{} %", number(percent))),
        None => {
            let told = if step > 0.0 { (size.abs() / step).round() * step } else { size.abs() };
            let (amount, unit) = scaled(told, symptom.uom);
            Some(format!("{} {unit}", number(amount)).trim_end().to_owned())
        }
    }
}

/// The expected value, if a share of it means something: not on a temperature scale, whose zero is arbitrary, and
/// not where it lies near zero.
fn share_base(symptom: &Symptom) -> Option<f64> {
    let scale_of_its_own = matches!(symptom.uom.name(), "Cel" | "degC" | "degF" | "K" | "" | "lat" | "lon");
    let expected = symptom.numbers.get("expected").copied().filter(|_| !scale_of_its_own)?.abs();
    let spread = symptom.numbers.get("spread").copied().unwrap_or(0.0).abs();
    (expected > SHARE_NEEDS_SPREADS * spread && expected > 0.0).then_some(expected)
}

fn scaled(value: f64, uom: Uom) -> (f64, &'static str) {
    match uom.name() {
        "Pa" => (value / PASCALS_A_KPA, "kPa"),
        "Cel" | "degC" => (value, "°C"),
        "degF" => (value, "°F"),
        "/" | "%" => (value * 100.0, "%"),
        "/100" => (value, "%"),
        other => (value, other),
    }
}

/// Three figures, no trailing zeros.
fn number(value: f64) -> String {
    let size = value.abs();
    let decimals = match size {
        s if s >= 100.0 || s == 0.0 => 0,
        s if s >= 10.0 => 1,
        s if s >= 1.0 => 2,
        s if s >= 0.1 => 3,
        _ => 4,
    };
    let text = format!("{value:.decimals$}");
    if text.contains('.') { text.trim_end_matches('0').trim_end_matches('.').to_owned() } else { text }
}

/// Operating states as a phrase, empty when there is nothing to say.
fn states(states: &[Regime]) -> String {
    let mut notches: Vec<u8> = Vec::new();
    let mut words: Vec<String> = Vec::new();
    for state in states {
        match state {
            Regime::Notch(0) => words.push("at idle".to_owned()),
            Regime::Notch(n) => notches.push(*n),
            Regime::DynamicBrake => words.push("in dynamic brake".to_owned()),
            Regime::Stopped => words.push("with the engine stopped".to_owned()),
            Regime::Running | Regime::Unknown => {}
        }
    }
    notches.sort_unstable();
    match notches.as_slice() {
        [] => {}
        [one] => words.push(format!("at notch {one}")),
        [first, .., last] => words.push(format!("at notches {first} to {last}")),
    }
    if words.is_empty() || words.len() > MOST_STATES {
        String::new()
    } else {
        format!(" {}", words.join(" and "))
    }
}

/// Day and month, UTC.
fn date(time: Time) -> String {
    const MONTHS: [&str; 12] =
        ["Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec"];
    let text = time.to_string();
    let day = text.get(8..10).map(|d| d.trim_start_matches('0'));
    let month =
        text.get(5..7).and_then(|m| m.parse::<usize>().ok()).and_then(|m| MONTHS.get(m.wrapping_sub(1)));
    match (day, month) {
        (Some(day), Some(month)) => format!("{day} {month} UTC"),
        _ => text,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::testing::{class, symptom, time, unit};

    fn line(symptom: &Symptom, others: usize) -> String {
        of(&class(), symptom, others)
    }

    fn of(class: &Class, symptom: &Symptom, others: usize) -> String {
        let (unit, library) = (unit(), crate::Library::builtin().unwrap());
        let background = crate::Background::default();
        let context =
            Context { unit: &unit, class, library: &library, settings_version: 1, background: &background };
        title(&context, symptom.kind.about(), (symptom, false), others, time("2026-11-03T05:00:00Z"))
    }

    #[test]
    fn titles_are_in_words_of_the_trade_with_units_and_states() {
        let mut shift = symptom("oil_pressure", SymptomKind::LevelShift, -43_200.0, "2026-11-03T05:00:00Z");
        shift.numbers = [("expected".to_owned(), 240_000.0), ("spread".to_owned(), 4000.0)].into();
        shift.states = vec![Regime::Notch(0)];
        assert_eq!(line(&shift, 0), "Oil pressure 18 % below expected at idle since 3 Nov UTC");
        shift.states = vec![Regime::Notch(8), Regime::Notch(6)];
        assert_eq!(
            line(&shift, 2),
            "Oil pressure 18 % below expected at notches 6 to 8 since 3 Nov UTC, and 2 more channels"
        );
        let mut hot = symptom("coolant_temp", SymptomKind::Limit, 3.0, "2026-11-03T05:00:00Z");
        hot.numbers = [("limit".to_owned(), 102.0)].into();
        assert_eq!(line(&hot, 0), "Coolant temperature above its limit of 102 °C (hot) since 3 Nov UTC");
        hot.onset = time("2026-11-09T05:00:00Z");
        let met_later =
            "Coolant temperature above its limit of 102 °C (hot) since 9 Nov UTC (began 3 Nov UTC)";
        assert_eq!(line(&hot, 0), met_later);
        let peer = symptom("cyl_exhaust_temp_01", SymptomKind::Peer, -62.4, "2026-11-03T05:00:00Z");
        assert_eq!(line(&peer, 0), "Exhaust temperature 1 62.4 °C below its sister channels since 3 Nov UTC");
        let stuck = symptom("oil_temp", SymptomKind::Stuck, 0.0, "2026-11-03T05:00:00Z");
        assert_eq!(line(&stuck, 0), "Oil temperature sensor does not move since 3 Nov UTC");
        let reset = symptom("engine_hours", SymptomKind::CounterReset, -9.0, "2026-11-03T05:00:00Z");
        assert_eq!(line(&reset, 0), "Engine hours counter was reset or exchanged on 3 Nov UTC");
    }

    #[test]
    fn what_is_gone_is_not_told_in_digits_that_the_sensor_does_not_have() {
        let mut class = class();
        let ix = class.channel_ix("coolant_temp").unwrap();
        class.channels[ix.index()].resolution = 0.1;
        let told = |size: f64| {
            let mut warm = symptom("coolant_temp", SymptomKind::LevelShift, 6.0, "2026-11-03T05:00:00Z");
            warm.size = size;
            (of(&class, &warm, 0), evidence(&class, &warm))
        };
        assert_eq!(told(6.2477).0, "Coolant temperature 6.2 °C above expected since 3 Nov UTC");
        assert_eq!(told(6.2477).1, "Coolant temperature up 6.2 °C");
        for gone in [0.0693, -0.0899, -3.0] {
            assert_eq!(
                told(gone).0,
                "Coolant temperature no longer above expected (began 3 Nov UTC)",
                "{gone}"
            );
        }
        assert_eq!(told(0.03).1, "Coolant temperature up");
    }

    #[test]
    fn a_change_that_went_back_is_told_at_its_largest() {
        let mut warm = symptom("coolant_temp", SymptomKind::LevelShift, 6.0, "2026-11-03T05:00:00Z");
        (warm.size, warm.direction) = (-0.1, Direction::Up);
        warm.numbers.insert(LARGEST.to_owned(), 14.0);
        let told = "Coolant temperature was up to 14 °C above expected, now back (began 3 Nov UTC)";
        assert_eq!(line(&warm, 0), told);
        assert_eq!(evidence(&class(), &warm), "Coolant temperature up 14 °C");
        warm.size = 9.0;
        assert_eq!(line(&warm, 0), "Coolant temperature 9 °C above expected since 3 Nov UTC");
    }

    #[test]
    fn a_share_is_told_only_of_what_has_a_natural_zero() {
        let mut near_zero = symptom("crankcase_pressure", SymptomKind::Drift, 250.0, "2026-11-03T05:00:00Z");
        near_zero.numbers = [("expected".to_owned(), 20.0), ("spread".to_owned(), 50.0)].into();
        assert_eq!(evidence(&class(), &near_zero), "Crankcase pressure up 0.25 kPa");
        near_zero.numbers = [("expected".to_owned(), 500.0), ("spread".to_owned(), 50.0)].into();
        assert_eq!(evidence(&class(), &near_zero), "Crankcase pressure up 50 %");
    }

    #[test]
    fn evidence_of_a_limit_tells_the_distance_from_expected_not_from_the_limit() {
        let mut hot = symptom("coolant_temp", SymptomKind::Limit, 1.0, "2026-11-03T05:00:00Z");
        assert_eq!(evidence(&class(), &hot), "Coolant temperature up");
        hot.numbers = [("measured".to_owned(), 103.0), ("expected".to_owned(), 83.0)].into();
        assert_eq!(evidence(&class(), &hot), "Coolant temperature up 20 °C");
    }

    #[test]
    fn numbers_have_three_figures_and_no_tail() {
        for (value, text) in
            [(0.0, "0"), (1234.6, "1235"), (12.34, "12.3"), (8.0, "8"), (1.204, "1.2"), (0.1234, "0.123")]
        {
            assert_eq!(number(value), text);
        }
    }
}
