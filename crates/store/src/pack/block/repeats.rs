//! What a unit sends again and again takes no room in a block, however often it comes.

use notchwatch_model::{Seq, TextSample};

use super::{Day, Message};

/// What distinguishes messages in which the same sample came: how far its time is to be believed.
type Kind = (bool, bool);

/// Leaves out samples and texts that an earlier message of the same kind holds too, and messages of which nothing is left.
/// A read up to any journal position finds the same values as before. Returns whether a message is left that stands behind
/// the first `before`.
pub(crate) fn leave_repeats_out(day: &mut Day, before: usize) -> bool {
    let came: Vec<(Kind, Seq)> = day.messages.iter().map(|m| ((m.retained, m.approximate), m.seq)).collect();
    let came = |message: usize| came.get(message).copied().unwrap_or(((false, false), Seq(i64::MAX)));
    day.samples.sort_unstable_by_key(|(s, message)| (s.time, s.channel, s.value.to_bits(), came(*message)));
    day.samples.dedup_by(|(next, by), (kept, first)| {
        (next.time, next.channel, next.value.to_bits()) == (kept.time, kept.channel, kept.value.to_bits())
            && came(*by).0 == came(*first).0
    });
    let place = |(text, message): &(TextSample, usize)| (text.time, text.channel, came(*message));
    day.texts.sort_by(|a, b| a.0.text.cmp(&b.0.text).then_with(|| place(a).cmp(&place(b))));
    day.texts.dedup_by(|(next, by), (kept, first)| next == kept && came(*by).0 == came(*first).0);
    renumber(day, before)
}

fn renumber(day: &mut Day, before: usize) -> bool {
    let mut used = vec![false; day.messages.len()];
    let by = day.samples.iter().map(|(_, by)| *by).chain(day.texts.iter().map(|(_, by)| *by));
    by.for_each(|message| {
        if let Some(used) = used.get_mut(message) {
            *used = true;
        }
    });
    // Of each message, how many before it are left.
    let places: Vec<usize> = used
        .iter()
        .scan(0, |left, used| {
            let place = *left;
            *left += usize::from(*used);
            Some(place)
        })
        .collect();
    let renumbered = |message: &mut usize| *message = places.get(*message).copied().unwrap_or(*message);
    day.samples.iter_mut().for_each(|(_, by)| renumbered(by));
    day.texts.iter_mut().for_each(|(_, by)| renumbered(by));
    let mut flags = used.iter();
    day.messages.retain(|_: &Message| flags.next().is_some_and(|used| *used));
    used.get(before..).is_some_and(|behind| behind.contains(&true))
}

#[cfg(test)]
mod tests {
    use notchwatch_model::{ChannelIx, Sample, Time};

    use super::*;

    fn message(seq: i64, retained: bool) -> Message {
        let received = Time::from_micros(seq).unwrap();
        Message { seq: Seq(seq), received, retained, approximate: false, uoms: Vec::new() }
    }

    fn cell(value: f64, message: usize) -> (Sample, usize) {
        (Sample { time: Time::EPOCH, channel: ChannelIx(1), value }, message)
    }

    fn text(said: &str, message: usize) -> (TextSample, usize) {
        (TextSample { time: Time::EPOCH, channel: ChannelIx(2), text: said.into() }, message)
    }

    fn values(day: &Day) -> Vec<(f64, i64)> {
        day.samples.iter().map(|(s, by)| (s.value, day.messages[*by].seq.0)).collect()
    }

    #[test]
    fn the_first_to_say_a_value_is_kept() {
        // The second message reached the day's block before the first: it came over midnight.
        let mut day = Day {
            messages: vec![message(9, false), message(4, false), message(12, false), message(13, true)],
            samples: vec![
                cell(1.5, 0),
                cell(1.5, 1),
                cell(2.5, 2),
                cell(1.5, 2),
                cell(1.5, 3),
                cell(-0.0, 3),
                cell(0.0, 3),
            ],
            texts: vec![text("sw 2", 2), text("sw 1", 1), text("sw 1", 2)],
        };
        assert!(leave_repeats_out(&mut day, 1));
        assert_eq!(day.messages.iter().map(|m| m.seq.0).collect::<Vec<_>>(), [4, 12, 13]);
        assert_eq!(values(&day), [(0.0, 13), (1.5, 4), (1.5, 13), (2.5, 12), (-0.0, 13)]);
        let texts: Vec<_> =
            day.texts.iter().map(|(t, by)| (t.text.as_str(), day.messages[*by].seq.0)).collect();
        assert_eq!(texts, [("sw 1", 4), ("sw 2", 12)]);
    }

    #[test]
    fn repeats_alone_are_no_news() {
        let mut day = Day {
            messages: vec![message(1, false), message(2, false), message(3, false)],
            samples: vec![cell(1.5, 0), cell(1.5, 1), cell(1.5, 2)],
            texts: vec![],
        };
        assert!(!leave_repeats_out(&mut day, 1));
        assert_eq!(values(&day), [(1.5, 1)]);
    }
}
