//! Reading requests: query parameters, path parts, bodies; every mistake is told with its place.
//!
//! Owns the conversion of framework errors into problems. Refuses to guess: an unknown parameter is an error.

use std::fmt::Display;
use std::str::FromStr;

use axum::extract::Query;
use axum::http::{HeaderMap, StatusCode, Uri, header};
use notchwatch_model::{FindingId, System};
use serde::de::DeserializeOwned;
use serde::de::value::{Error as ValueError, StrDeserializer};

use crate::problem::Problem;

/// Query parameters of a request.
pub(crate) fn query<T: DeserializeOwned>(uri: &Uri) -> Result<T, Problem> {
    Query::try_from_uri(uri)
        .map(|Query(parsed)| parsed)
        .map_err(|error| Problem::parameter("query", error.body_text()))
}

/// A value of a query parameter or path part.
pub(crate) fn parse<T>(name: &str, text: &str) -> Result<T, Problem>
where
    T: FromStr,
    T::Err: Display,
{
    text.parse().map_err(|error: T::Err| Problem::parameter(name, error.to_string()))
}

/// The same, when the parameter is there. An empty one counts as absent, as forms send it.
pub(crate) fn maybe<T>(name: &str, text: Option<&String>) -> Result<Option<T>, Problem>
where
    T: FromStr,
    T::Err: Display,
{
    text.filter(|t| !t.is_empty()).map(|t| parse(name, t)).transpose()
}

/// A system by its word.
pub(crate) fn system(text: Option<&String>) -> Result<Option<System>, Problem> {
    use serde::Deserialize;
    text.filter(|t| !t.is_empty())
        .map(|t| {
            System::deserialize(StrDeserializer::<ValueError>::new(t))
                .map_err(|e| Problem::parameter("system", e.to_string()))
        })
        .transpose()
}

/// An id of a finding out of the path. One that cannot be an id names nothing.
pub(crate) fn finding_id(text: &str) -> Result<FindingId, Problem> {
    FindingId::new(text)
        .map_err(|_| Problem::new(StatusCode::NOT_FOUND, "no such thing among those you may see"))
}

/// A JSON body. The problem points to the place that is wrong.
pub(crate) fn body<T: DeserializeOwned>(bytes: &[u8]) -> Result<T, Problem> {
    let mut reader = serde_json::Deserializer::from_slice(bytes);
    let parsed = serde_path_to_error::deserialize(&mut reader).map_err(|error| {
        let pointer = pointer(error.path());
        Problem::pointer(&pointer, error.into_inner().to_string())
    })?;
    reader.end().map_err(|error| Problem::pointer("", error.to_string()))?;
    Ok(parsed)
}

/// Version out of `If-Match`, which a decision needs: it applies to what was seen.
pub(crate) fn seen_version(headers: &HeaderMap) -> Result<u32, Problem> {
    let Some(value) = headers.get(header::IF_MATCH) else {
        let detail = "send If-Match with the version of the finding you read, such as If-Match: \"3\"";
        return Err(Problem::new(StatusCode::PRECONDITION_REQUIRED, detail));
    };
    value
        .to_str()
        .ok()
        .and_then(|text| text.trim().strip_prefix('"')?.strip_suffix('"')?.parse().ok())
        .ok_or_else(|| {
            Problem::parameter(
                "If-Match",
                "not one version in double quotes, such as \"3\"; * and lists are not taken",
            )
        })
}

/// RFC 6901 pointer of a place in a body.
fn pointer(path: &serde_path_to_error::Path) -> String {
    use serde_path_to_error::Segment;
    path.iter()
        .map(|segment| match segment {
            Segment::Seq { index } => format!("/{index}"),
            Segment::Map { key } => format!("/{}", key.replace('~', "~0").replace('/', "~1")),
            Segment::Enum { variant } => format!("/{variant}"),
            Segment::Unknown => String::new(),
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use serde::Deserialize;

    use super::*;

    #[derive(Debug, Deserialize)]
    #[serde(deny_unknown_fields)]
    struct Wanted {
        #[expect(dead_code, reason = "only its place matters")]
        list: Vec<u8>,
    }

    #[test]
    fn a_body_that_is_wrong_says_where() {
        let problem = body::<Wanted>(br#"{"list":[1,"x"]}"#).unwrap_err();
        assert_eq!(serde_json::to_value(problem).unwrap()["errors"][0]["pointer"], "/list/1");
        assert!(body::<Wanted>(br#"{"list":[1]} trailing"#).is_err());
        assert!(body::<Wanted>(br#"{"list":[1],"more":1}"#).is_err());
        assert!(body::<Wanted>(br#"{"list":[1]}"#).is_ok());
    }

    #[test]
    fn if_match_is_one_strong_version() {
        let with = |text: &'static str| {
            let mut headers = HeaderMap::new();
            headers.insert(header::IF_MATCH, text.parse().unwrap());
            seen_version(&headers)
        };
        assert_eq!(with("\"7\"").unwrap(), 7);
        for bad in ["7", "*", "W/\"7\"", "\"7\", \"8\"", "\"\""] {
            assert_eq!(with(bad).unwrap_err().status, 400, "{bad}");
        }
        assert_eq!(seen_version(&HeaderMap::new()).unwrap_err().status, 428);
    }

    #[test]
    fn systems_are_read_by_their_words() {
        assert_eq!(system(Some(&"air-supply".to_owned())).unwrap(), Some(System::AirSupply));
        assert_eq!(system(Some(&String::new())).unwrap(), None);
        assert_eq!(system(Some(&"air supply".to_owned())).unwrap_err().status, 400);
    }
}
