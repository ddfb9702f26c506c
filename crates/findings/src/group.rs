//! Which finding a symptom belongs to: one cause, one finding.
//!
//! Owns the rules and their windows. Refuses to change anything: it names a place.

use notchwatch_model::{
    ChannelName, Class, Direction, FindingKind, MachinePart, Span, Symptom, SymptomKind, System, Time,
};

use crate::rank::{explains, untrustworthy};
use crate::{Context, oil};

/// Symptoms of one system whose estimated onsets lie this close are one matter (common practice: an estimated
/// onset of a slow change is good to a day or two).
const SYSTEM_WINDOW: Span = Span::from_days(2);
/// Symptoms that one fault of the library explains are one matter when their onsets lie this close: a slow fault
/// shows on one channel weeks before the next (common practice).
const TIED_WINDOW: Span = Span::from_days(14);
/// The same for what an oil sample says: slow faults show in the oil first (common practice: two months).
const OIL_WINDOW: Span = Span::from_days(60);
/// Sensor and data symptoms of one kind that begin this close have one cause: a module, a recorder, a release.
const TOGETHER: Span = Span::from_mins(30);
/// A value that cannot be trusted explains what its channel showed from this long before it was found out.
const DOUBT_REACHES_BACK: Span = Span::from_days(1);

/// Where a symptom belongs.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Home {
    /// Into the open finding at this place in the list.
    Joins(usize),
    /// Into the machine finding at this place, which turns out to be about a sensor.
    Turns(usize),
    /// A matter of its own.
    New,
}

/// Finds the home of a symptom among the open findings.
pub(crate) fn home(context: &Context<'_>, open: &[&MachinePart], symptom: &Symptom) -> Home {
    match symptom.kind.about() {
        FindingKind::Machine => machine(context, open, symptom),
        FindingKind::Sensor => sensor(context, open, symptom),
        FindingKind::Data | FindingKind::Comms => {
            place(open, |part| part.kind == FindingKind::Data && together(part, symptom))
        }
    }
}

/// Whether a symptom of a machine finding is explained by the doubt that `doubt` throws on its channel.
pub(crate) fn doubted(symptom: &Symptom, doubt: &Symptom) -> bool {
    untrustworthy(doubt.kind)
        && symptom.kind.about() == FindingKind::Machine
        && symptom.channel == doubt.channel
        && symptom.onset >= doubt.onset - DOUBT_REACHES_BACK
}

/// System of a channel; a channel that the class does not have belongs to the machine as a whole.
pub(crate) fn system_of(class: &Class, channel: &ChannelName) -> System {
    class
        .channel_ix(channel.as_str())
        .and_then(|ix| class.channel(ix))
        .map_or(System::Machine, |channel| channel.system)
}

fn machine(context: &Context<'_>, open: &[&MachinePart], symptom: &Symptom) -> Home {
    let in_doubt = |part: &MachinePart| {
        part.kind == FindingKind::Sensor && lasting(part).any(|doubt| doubted(symptom, doubt))
    };
    let same_channel = |part: &MachinePart| {
        part.kind == FindingKind::Machine && part.symptoms.iter().any(|s| s.channel == symptom.channel)
    };
    let tied = |part: &MachinePart| {
        part.kind == FindingKind::Machine && part.symptoms.iter().any(|s| tied(context, s, symptom))
    };
    let system = oil::system(context.class, symptom);
    let same_system = |part: &MachinePart| {
        part.kind == FindingKind::Machine
            && part.symptoms.iter().any(|s| {
                oil::system(context.class, s) == system && near(s.onset, symptom.onset, SYSTEM_WINDOW)
            })
    };
    first(open, &[&in_doubt, &same_channel, &tied, &same_system])
}

fn sensor(context: &Context<'_>, open: &[&MachinePart], symptom: &Symptom) -> Home {
    let about_sensor = |part: &MachinePart| part.kind == FindingKind::Sensor;
    let same_channel =
        |part: &MachinePart| about_sensor(part) && part.symptoms.iter().any(|s| s.channel == symptom.channel);
    let partner = |part: &MachinePart| {
        about_sensor(part)
            && symptom.kind == SymptomKind::Disagreement
            && part.symptoms.iter().any(|s| tie(context.class, &s.channel, &symptom.channel))
    };
    let at_once = |part: &MachinePart| about_sensor(part) && together(part, symptom);
    match first(open, &[&same_channel, &partner, &at_once]) {
        Home::New if symptom.kind == SymptomKind::Noisy => place(open, |part| {
            part.kind == FindingKind::Machine && part.symptoms.iter().any(|s| s.channel == symptom.channel)
        }),
        Home::New => {
            let turns = |part: &&MachinePart| {
                part.kind == FindingKind::Machine && part.symptoms.iter().all(|s| explained(s, symptom))
            };
            open.iter().position(turns).map_or(Home::New, Home::Turns)
        }
        found => found,
    }
}

/// Whether the doubt takes the symptom along: a machine symptom it explains, or noise on the same channel.
fn explained(symptom: &Symptom, doubt: &Symptom) -> bool {
    doubted(symptom, doubt) || (symptom.channel == doubt.channel && symptom.kind == SymptomKind::Noisy)
}

fn first(open: &[&MachinePart], rules: &[&dyn Fn(&MachinePart) -> bool]) -> Home {
    rules.iter().find_map(|rule| open.iter().position(|part| rule(part))).map_or(Home::New, Home::Joins)
}

fn place(open: &[&MachinePart], rule: impl Fn(&MachinePart) -> bool) -> Home {
    first(open, &[&rule])
}

fn lasting(part: &MachinePart) -> impl Iterator<Item = &Symptom> {
    part.symptoms.iter().filter(|s| part.lasting.contains(&s.id()))
}

fn near(one: Time, other: Time, window: Span) -> bool {
    one <= other + window && other <= one + window
}

/// Same kind of symptom, begun at the same time.
fn together(part: &MachinePart, symptom: &Symptom) -> bool {
    part.symptoms.iter().any(|s| s.kind == symptom.kind && near(s.onset, symptom.onset, TOGETHER))
}

/// One fault moves both channels as they moved, within its window.
fn tied(context: &Context<'_>, one: &Symptom, other: &Symptom) -> bool {
    for (oil, beside) in [(one, other), (other, one)] {
        if oil::quantity(oil).is_some() {
            return near(one.onset, other.onset, OIL_WINDOW) && oil::tied(context.library, oil, beside);
        }
    }
    one.direction != Direction::None
        && near(one.onset, other.onset, TIED_WINDOW)
        && explains(context.library, (&one.channel, one.direction), (&other.channel, other.direction))
}

/// Whether the class ties the two channels, whichever names the other.
fn tie(class: &Class, one: &ChannelName, other: &ChannelName) -> bool {
    let names = |from: &ChannelName, to: &ChannelName| {
        class
            .channel_ix(from.as_str())
            .and_then(|ix| class.channel(ix))
            .is_some_and(|channel| channel.tied.iter().any(|t| t.to == *to))
    };
    names(one, other) || names(other, one)
}
