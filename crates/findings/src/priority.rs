//! Priority from consequence and time to respond (IEC 62682): one matrix, stated here and nowhere else.
//!
//! The standard asks for the method, not for these cells: they are common practice, set so that few faults are high and
//! only what endangers people or the engine at once is critical.

use notchwatch_model::{Consequence, Priority, Urgency};

/// The cell of the matrix.
pub fn priority_of(consequence: Consequence, respond: Urgency) -> Priority {
    use Priority::{Critical, High, Low, Medium};
    match (consequence, respond) {
        (Consequence::Severe, Urgency::Now) => Critical,
        (Consequence::Severe, Urgency::BeforeDeparture | Urgency::WithinAWeek)
        | (Consequence::Major, Urgency::Now | Urgency::BeforeDeparture)
        | (Consequence::Moderate, Urgency::Now) => High,
        (Consequence::Severe, Urgency::NextInspection)
        | (Consequence::Major, Urgency::WithinAWeek)
        | (Consequence::Moderate, Urgency::BeforeDeparture)
        | (Consequence::Minor, Urgency::Now) => Medium,
        (Consequence::Moderate, Urgency::WithinAWeek | Urgency::NextInspection)
        | (Consequence::Major, Urgency::NextInspection)
        | (Consequence::Minor, Urgency::BeforeDeparture | Urgency::WithinAWeek | Urgency::NextInspection)
        | (_, Urgency::Watch) => Low,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn neither_a_worse_consequence_nor_less_time_lowers_it() {
        for (worse, better) in Consequence::ALL.iter().zip(&Consequence::ALL[1..]) {
            for respond in Urgency::ALL {
                assert!(
                    priority_of(*worse, *respond) <= priority_of(*better, *respond),
                    "{worse:?} {respond}"
                );
            }
        }
        for consequence in Consequence::ALL {
            for (sooner, later) in Urgency::ALL.iter().zip(&Urgency::ALL[1..]) {
                assert!(priority_of(consequence, *sooner) <= priority_of(consequence, *later), "{sooner}");
            }
        }
    }

    /// Shares that ISA-18.2 and IEC 62682 give for what is annunciated: about 80, 15 and 5 in a hundred. Faults are weighed
    /// by how often they come, in the steps of the ranking's priors.
    #[test]
    fn few_of_what_comes_is_high_and_fewer_critical() {
        let library = crate::Library::builtin().unwrap();
        let weight = |fault: &crate::Fault| match fault.rarity {
            crate::Rarity::Common => 10.0,
            crate::Rarity::Occasional => 3.5,
            crate::Rarity::Rare => 1.2,
        };
        let all: f64 = library.faults().iter().map(weight).sum();
        let share = |priority| {
            let of = |f: &&crate::Fault| priority_of(f.rationale.consequence, f.urgency) == priority;
            library.faults().iter().filter(of).map(weight).sum::<f64>() / all
        };
        let (critical, high) = (share(Priority::Critical), share(Priority::High));
        assert!(critical > 0.0 && critical <= 0.05, "{critical} critical");
        assert!(high > 0.0 && high <= 0.2, "{high} high");
    }
}
