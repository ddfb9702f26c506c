//! Topic patterns: which part of an MQTT topic names the railway and which the unit.
//!
//! Owns the pattern's syntax, the subscription filter made from it, and the match. The broker's topic rights prove the
//! identity; this file only reads it. Refuses wildcards that would let one topic mean two units.

use notchwatch_model::{RailwayId, UnitId, UnitKey};

/// A topic pattern with the named levels `{railway}` and `{unit}`, such as `units/{railway}/{unit}/senml`.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct TopicPattern {
    levels: Vec<Level>,
}

#[derive(Clone, PartialEq, Eq, Debug)]
enum Level {
    Literal(Box<str>),
    Railway,
    Unit,
    /// `+`: one level that means nothing to us.
    Any,
}

/// Why a text is not a topic pattern.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("topic pattern {pattern:?}: {problem}; right would be units/{{railway}}/{{unit}}/senml")]
pub struct PatternError {
    /// The pattern as configured.
    pub pattern: String,
    /// What is wrong with it.
    pub problem: &'static str,
}

impl TopicPattern {
    /// Reads a pattern. Each level is a literal, `+`, `{railway}` or `{unit}`; the two names stand once each.
    /// Errors say what is wrong and show a right one.
    pub fn parse(pattern: &str) -> Result<Self, PatternError> {
        let problem = |problem| PatternError { pattern: pattern.to_owned(), problem };
        let levels: Vec<Level> = pattern.split('/').map(level).collect::<Option<_>>().ok_or_else(|| {
            problem("a level is {railway}, {unit}, + or a text without the characters + # { } $ and NUL")
        })?;
        let count = |wanted: &Level| levels.iter().filter(|level| *level == wanted).count();
        if count(&Level::Railway) != 1 || count(&Level::Unit) != 1 {
            return Err(problem("{railway} and {unit} must each stand once"));
        }
        Ok(Self { levels })
    }

    /// The MQTT filter that subscribes to every topic of the pattern.
    pub fn filter(&self) -> String {
        let levels: Vec<&str> = self
            .levels
            .iter()
            .map(|level| match level {
                Level::Literal(text) => text,
                Level::Railway | Level::Unit | Level::Any => "+",
            })
            .collect();
        levels.join("/")
    }

    /// The topic on which a unit publishes; `-` stands for a level that means nothing.
    pub fn topic(&self, unit: &UnitKey) -> String {
        let levels: Vec<&str> = self
            .levels
            .iter()
            .map(|level| match level {
                Level::Literal(text) => text,
                Level::Railway => unit.railway.as_str(),
                Level::Unit => unit.unit.as_str(),
                Level::Any => "-",
            })
            .collect();
        levels.join("/")
    }

    /// The unit that a topic names; `None` when the topic is not of this pattern or its parts are not identities.
    pub fn unit(&self, topic: &str) -> Option<UnitKey> {
        let (railway, unit) = self.parts(topic)?;
        Some(UnitKey { railway: RailwayId::new(railway).ok()?, unit: UnitId::new(unit).ok()? })
    }

    /// Railway and unit part of a topic, unchecked; `None` when the topic is not of this pattern.
    pub(crate) fn parts<'t>(&self, topic: &'t str) -> Option<(&'t str, &'t str)> {
        let (mut railway, mut unit) = (None, None);
        let mut parts = topic.split('/');
        for level in &self.levels {
            let part = parts.next()?;
            match level {
                Level::Literal(text) if **text != *part => return None,
                Level::Literal(_) | Level::Any => {}
                Level::Railway => railway = Some(part),
                Level::Unit => unit = Some(part),
            }
        }
        if parts.next().is_some() {
            return None;
        }
        Some((railway?, unit?))
    }
}

impl std::str::FromStr for TopicPattern {
    type Err = PatternError;
    fn from_str(pattern: &str) -> Result<Self, PatternError> {
        Self::parse(pattern)
    }
}

fn level(text: &str) -> Option<Level> {
    match text {
        "{railway}" => Some(Level::Railway),
        "{unit}" => Some(Level::Unit),
        "+" => Some(Level::Any),
        _ if text.contains(['+', '#', '{', '}', '$', '\0']) => None,
        _ => Some(Level::Literal(text.into())),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_filter_puts_a_wildcard_at_each_name() {
        for (pattern, filter) in [
            ("units/{railway}/{unit}/senml", "units/+/+/senml"),
            ("{unit}/{railway}", "+/+"),
            ("a/+/{railway}/x/{unit}", "a/+/+/x/+"),
        ] {
            assert_eq!(TopicPattern::parse(pattern).unwrap().filter(), filter);
        }
    }

    #[test]
    fn a_topic_names_its_unit_and_comes_back() {
        let pattern = TopicPattern::parse("units/{railway}/{unit}/senml").unwrap();
        let unit = pattern.unit("units/north/N-1/senml").unwrap();
        assert_eq!(unit.to_string(), "north/N-1");
        assert_eq!(pattern.topic(&unit), "units/north/N-1/senml");
        let swapped = TopicPattern::parse("{unit}/of/{railway}").unwrap();
        assert_eq!(swapped.unit("7/of/south").unwrap().to_string(), "south/7");
    }

    #[test]
    fn other_topics_name_nobody() {
        let pattern = TopicPattern::parse("units/{railway}/{unit}/senml").unwrap();
        for topic in [
            "units/north/N-1",
            "units/north/N-1/senml/x",
            "unit/north/N-1/senml",
            "units//N-1/senml",
            "units/north/N 1/senml",
            "units/north/\u{e4}/senml",
            "",
        ] {
            assert_eq!(pattern.unit(topic), None, "{topic:?}");
        }
    }

    #[test]
    fn a_pattern_that_is_not_one_says_why() {
        for pattern in [
            "",
            "units/#",
            "units/{railway}",
            "{unit}/{unit}/{railway}",
            "a/{loco}/{railway}/{unit}",
            "$share/g/{railway}/{unit}",
        ] {
            let error = TopicPattern::parse(pattern).unwrap_err().to_string();
            assert!(error.contains("units/{railway}/{unit}/senml"), "{error}");
        }
    }
}
