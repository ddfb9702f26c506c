//! Role and railways of an account or token, as they are written in requests and answers.
//!
//! Owns that "every railway" is said out loud: a field left out never widens what somebody sees.

use notchwatch_model::{RailwayFilter, RailwayId, Role};

use crate::problem::Problem;

/// Reads a role.
pub(super) fn role(text: &str) -> Result<Role, Problem> {
    text.parse().map_err(|e: String| Problem::pointer("/role", e))
}

/// Reads a filter from its two fields.
pub(super) fn railways(all: bool, named: Option<&[String]>) -> Result<RailwayFilter, Problem> {
    match (all, named) {
        (true, None) => Ok(RailwayFilter::All),
        (false, Some(list)) => list
            .iter()
            .enumerate()
            .map(|(i, id)| {
                RailwayId::new(id).map_err(|e| Problem::pointer(&format!("/railways/{i}"), e.to_string()))
            })
            .collect::<Result<_, _>>()
            .map(RailwayFilter::Only),
        _ => {
            Err(Problem::pointer("/railways", "say either \"all_railways\": true or a list of \"railways\""))
        }
    }
}

/// Writes a filter into its two fields.
pub(super) fn told(filter: &RailwayFilter) -> (bool, Option<Vec<String>>) {
    match filter {
        RailwayFilter::All => (true, None),
        RailwayFilter::Only(set) => (false, Some(set.iter().map(ToString::to_string).collect())),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_railway_is_said_out_loud() {
        assert_eq!(railways(true, None).unwrap(), RailwayFilter::All);
        assert!(railways(false, None).is_err(), "left out is not all");
        assert!(railways(true, Some(&["a".to_owned()])).is_err(), "both contradict");
        let some = railways(false, Some(&["b".to_owned(), "a".to_owned()])).unwrap();
        assert_eq!(told(&some), (false, Some(vec!["a".to_owned(), "b".to_owned()])));
        let json = serde_json::to_value(railways(false, Some(&["a b".to_owned()])).unwrap_err()).unwrap();
        assert_eq!(json["errors"][0]["pointer"], "/railways/0");
    }
}
