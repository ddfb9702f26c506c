//! The small picture beside a finding: how far the strongest symptom lies from what was expected.
//!
//! Owns its geometry: the expected value in the middle, the usual band around it, the measured value as a mark.

use notchwatch_model::{Class, Finding, Symptom};

use super::format::{difference, figure};

/// Half width of the band, in robust spreads: what a channel does when nothing changed (common practice).
pub(crate) const BAND_SPREADS: f64 = 3.0;
/// Spreads from the middle to either end; what lies further is drawn at the end, as an arrow.
const REACH: f64 = 12.0;
/// Drawing width and height.
const WIDTH: f64 = 136.0;
/// Half of the drawing, less room for the arrow.
const HALF: f64 = WIDTH / 2.0 - 6.0;

/// What is drawn.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Gauge {
    /// Left end and width of the band.
    pub(crate) band: (String, String),
    /// Corners of the mark.
    pub(crate) mark: String,
    /// The same in words.
    pub(crate) words: String,
    /// Size, signed, with its unit of measure.
    pub(crate) size: String,
}

/// The gauge of a finding: of its strongest lasting symptom that has a size.
pub(crate) fn gauge(finding: &Finding, class: Option<&Class>) -> Option<Gauge> {
    let machine = &finding.machine;
    let sized = |s: &&Symptom| s.spreads != 0.0 && s.spreads.is_finite();
    let lasting = machine.symptoms.iter().filter(sized).find(|s| machine.lasting.contains(&s.id()));
    lasting
        .or_else(|| machine.symptoms.iter().find(sized))
        .map(|symptom| of(symptom, resolution(symptom, class)))
}

/// Smallest step that the symptom's channel can tell, in its stored unit of measure; 0 when it is not known.
pub(crate) fn resolution(symptom: &Symptom, class: Option<&Class>) -> f64 {
    let def = class.and_then(|c| c.channels.iter().find(|def| def.name == symptom.channel));
    def.map_or(0.0, |def| def.resolution)
}

fn of(symptom: &Symptom, step: f64) -> Gauge {
    let x = |spreads: f64| WIDTH / 2.0 + spreads.clamp(-REACH, REACH) / REACH * HALF;
    let at = x(symptom.spreads);
    let mark = if symptom.spreads.abs() > REACH {
        let tip = at + 6.0 * symptom.spreads.signum();
        format!("{at:.1},5 {tip:.1},12 {at:.1},19")
    } else {
        format!("{at:.1},4 {:.1},12 {at:.1},20 {:.1},12", at + 4.5, at - 4.5)
    };
    let size = difference(symptom.size, symptom.uom, step);
    let words = format!(
        "{size} from expected, {} spreads; usual within \u{00b1}{BAND_SPREADS:.0}",
        figure(symptom.spreads)
    );
    let left = x(-BAND_SPREADS);
    Gauge { band: (format!("{left:.1}"), format!("{:.1}", x(BAND_SPREADS) - left)), mark, words, size }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::sample;

    #[test]
    fn the_mark_lies_on_its_side_and_inside_the_drawing() {
        let mut finding = sample::finding("northmoor", "4021", 1);
        let drawn = gauge(&finding, None).unwrap();
        let x: f64 = drawn.mark.split(',').next().unwrap().parse().unwrap();
        assert!(x < WIDTH / 2.0, "below expected is drawn left: {}", drawn.mark);
        finding.machine.symptoms[0].spreads = 400.0;
        let far = gauge(&finding, None).unwrap();
        assert!(far.mark.split(' ').all(|p| p.split(',').next().unwrap().parse::<f64>().unwrap() <= WIDTH));
        assert!(far.words.contains("400 spreads"), "{}", far.words);
    }

    #[test]
    fn a_symptom_without_size_has_no_gauge() {
        let mut finding = sample::finding("northmoor", "4021", 1);
        for symptom in &mut finding.machine.symptoms {
            symptom.spreads = 0.0;
        }
        assert_eq!(gauge(&finding, None), None);
    }
}
