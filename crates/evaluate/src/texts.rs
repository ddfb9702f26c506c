//! Texts of one unit that its fold reads: what the controller said of its software and of faults.
//!
//! Owns which channels those are and what stands for one channel and time. Refuses to look at arrival: of two texts for one
//! key the greater one stays, as in the store. What they mean, the model and the findings say.

use std::collections::BTreeMap;

use notchwatch_model::{
    ChannelIx, ChannelValue, Class, FAULT_CODE_CHANNEL, SOFTWARE_CHANNEL, TextSample, Time,
};

/// Texts by event time and channel.
#[derive(Debug, Clone, Default)]
pub(crate) struct Texts(BTreeMap<(Time, ChannelIx), String>);

/// Whether a class has channels that the fold reads as texts.
pub(crate) fn any_told(class: &Class) -> bool {
    (0u16..).zip(&class.channels).any(|(channel, _)| told(class, ChannelIx(channel)))
}

/// Whether the fold reads the texts of a channel.
pub(crate) fn told(class: &Class, channel: ChannelIx) -> bool {
    class.channel(channel).is_some_and(|def| {
        def.value == ChannelValue::Text && [FAULT_CODE_CHANNEL, SOFTWARE_CHANNEL].contains(&def.name.as_str())
    })
}

impl Texts {
    /// Adds a text. Returns whether it is now the one that stands for its key.
    pub(crate) fn add(&mut self, text: &TextSample) -> bool {
        let held = self.0.get(&(text.time, text.channel));
        let stands = held.is_none_or(|held| text.text > *held);
        if stands {
            self.0.insert((text.time, text.channel), text.text.clone());
        }
        stands
    }

    /// Whether a text stands for the key.
    pub(crate) fn has(&self, key: (Time, ChannelIx)) -> bool {
        self.0.contains_key(&key)
    }

    /// Adds what others hold.
    pub(crate) fn add_all(&mut self, others: &Texts) {
        for text in others.iter() {
            self.add(&text);
        }
    }

    /// Takes the texts out up to and including an event time, in order.
    pub(crate) fn take_to(&mut self, to: Time) -> Texts {
        let later = self.0.split_off(&(to, ChannelIx(u16::MAX)));
        Self(std::mem::replace(&mut self.0, later))
    }

    /// In order of time and channel.
    pub(crate) fn iter(&self) -> impl Iterator<Item = TextSample> + '_ {
        let text = |((time, channel), text): (&(Time, ChannelIx), &String)| TextSample {
            time: *time,
            channel: *channel,
            text: text.clone(),
        };
        self.0.iter().map(text)
    }

    /// Event time of the newest.
    pub(crate) fn newest(&self) -> Option<Time> {
        self.0.last_key_value().map(|((time, _), _)| *time)
    }

    /// Whether there is none.
    pub(crate) fn is_empty(&self) -> bool {
        self.0.is_empty()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn of_two_texts_for_one_key_the_greater_stays_whatever_the_order() {
        let text =
            |text: &str| TextSample { time: Time::EPOCH, channel: ChannelIx(1), text: text.to_owned() };
        for [first, second] in [["4.0", "4.1"], ["4.1", "4.0"]] {
            let mut texts = Texts::default();
            assert!(texts.add(&text(first)));
            assert_eq!(texts.add(&text(second)), second > first);
            assert!(!texts.add(&text(second)), "a repeat");
            assert_eq!(texts.take_to(Time::EPOCH).iter().collect::<Vec<_>>(), [text("4.1")]);
            assert!(texts.is_empty());
        }
    }
}
