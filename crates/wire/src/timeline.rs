//! Files of timeline entries: CSV with a header, or TOML with a list `entries`, to entries as people write them.
//!
//! Owns the two forms. Rows of one oil sample (same unit, engine, time and sample) make one entry. Refuses to look units
//! up: a file names them. Errors name the line or the place in the list.

use notchwatch_model::{
    EngineSerial, FactKind, NewEntry, OilResult, RailwayId, Time, UnitId, UnitKey, Verdict, Written,
};
use serde::Deserialize;

/// Why a file of entries cannot be read.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("{place}: {what}")]
pub struct EntryFileError {
    /// Line of a CSV file, place in the list of a TOML file.
    pub place: String,
    /// What is wrong and what would be right.
    pub what: String,
}

/// One row of CSV, or one entry of TOML. In CSV an empty cell is an absent field.
#[derive(Debug, Clone, Default, Deserialize)]
#[serde(deny_unknown_fields, default)]
struct EntryText {
    at: Option<String>,
    railway: Option<String>,
    unit: Option<String>,
    engine: Option<String>,
    kind: Option<String>,
    code: Option<String>,
    active: Option<bool>,
    text: Option<String>,
    sample: Option<String>,
    quantity: Option<String>,
    value: Option<f64>,
    uom: Option<String>,
    verdict: Option<String>,
    results: Option<Vec<ResultText>>,
    activity: Option<String>,
    system: Option<String>,
    item: Option<String>,
    /// In CSV separated by blanks.
    channels: Option<ChannelsText>,
    version: Option<String>,
    place: Option<String>,
    purpose: Option<String>,
}

#[derive(Debug, Clone, Deserialize)]
#[serde(deny_unknown_fields)]
struct ResultText {
    quantity: String,
    value: f64,
    uom: String,
    verdict: Option<String>,
}

/// Channels as a list or in one text.
#[derive(Debug, Clone)]
struct ChannelsText(Vec<String>);

impl<'de> Deserialize<'de> for ChannelsText {
    fn deserialize<D: serde::Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        struct Names;
        impl<'de> serde::de::Visitor<'de> for Names {
            type Value = ChannelsText;
            fn expecting(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
                f.write_str("channel names, as a list or separated by blanks")
            }
            fn visit_str<E>(self, text: &str) -> Result<ChannelsText, E> {
                Ok(ChannelsText(text.split_whitespace().map(str::to_owned).collect()))
            }
            fn visit_seq<A: serde::de::SeqAccess<'de>>(self, mut list: A) -> Result<ChannelsText, A::Error> {
                let mut names = Vec::new();
                while let Some(name) = list.next_element()? {
                    names.push(name);
                }
                Ok(ChannelsText(names))
            }
        }
        deserializer.deserialize_any(Names)
    }
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct FileText {
    entries: Vec<EntryText>,
}

/// Reads a CSV file: the first line names the columns, which are the fields of an entry; each row of an oil sample holds one
/// result in `quantity`, `value`, `uom` and `verdict`.
pub fn read_csv(text: &str) -> Result<Vec<NewEntry>, EntryFileError> {
    let mut reader = csv::ReaderBuilder::new().trim(csv::Trim::All).from_reader(text.as_bytes());
    let mut rows = Vec::new();
    for row in reader.deserialize::<EntryText>() {
        let row = row.map_err(|e| {
            let line = e.position().map_or(1, csv::Position::line);
            EntryFileError { place: format!("line {line}"), what: e.to_string() }
        })?;
        // The header is line 1.
        rows.push((format!("line {}", rows.len() + 2), row));
    }
    entries(rows)
}

/// Reads a TOML file: `[[entries]]`, each with the fields of an entry; an oil sample holds its `results`.
pub fn read_toml(text: &str) -> Result<Vec<NewEntry>, EntryFileError> {
    let whole = |e: toml::de::Error| EntryFileError {
        place: "file".into(),
        what: e.to_string().trim_end().to_owned(),
    };
    let file: FileText = toml::from_str(text).map_err(whole)?;
    entries(file.entries.into_iter().enumerate().map(|(i, e)| (format!("entries[{i}]"), e)).collect())
}

fn entries(rows: Vec<(String, EntryText)>) -> Result<Vec<NewEntry>, EntryFileError> {
    let mut found: Vec<NewEntry> = Vec::with_capacity(rows.len());
    for (place, row) in rows {
        let entry = entry(row)
            .map_err(|(field, what)| EntryFileError { place: format!("{place}, {field}"), what })?;
        match found.last_mut() {
            Some(last) if same_sample(last, &entry) => join(last, entry),
            _ => found.push(entry),
        }
    }
    Ok(found)
}

fn same_sample(one: &NewEntry, other: &NewEntry) -> bool {
    use notchwatch_model::Fact::OilSample;
    let named = match (&one.fact, &other.fact) {
        (OilSample { sample, .. }, OilSample { sample: another, .. }) => sample == another,
        _ => false,
    };
    named && (&one.unit, &one.engine, one.at) == (&other.unit, &other.engine, other.at)
}

fn join(into: &mut NewEntry, from: NewEntry) {
    use notchwatch_model::Fact::OilSample;
    if let (OilSample { results, .. }, OilSample { results: more, .. }) = (&mut into.fact, from.fact) {
        results.extend(more);
    }
}

type Wrong = (&'static str, String);

fn entry(row: EntryText) -> Result<NewEntry, Wrong> {
    let kind: FactKind = parsed("kind", needed("kind", filled(row.kind.clone()))?)?;
    let at: Time = parsed("at", needed("at", filled(row.at.clone()))?)?;
    let railway: RailwayId = parsed("railway", needed("railway", filled(row.railway.clone()))?)?;
    let unit: UnitId = parsed("unit", needed("unit", filled(row.unit.clone()))?)?;
    let engine = filled(row.engine.clone()).map(|text| parsed::<EngineSerial>("engine", text)).transpose()?;
    let written = Written {
        // As-built levels come by the API only.
        levels: None,
        results: results(&row)?,
        code: filled(row.code),
        active: row.active,
        text: filled(row.text),
        sample: filled(row.sample),
        activity: filled(row.activity),
        system: filled(row.system),
        item: filled(row.item),
        channels: row.channels.map(|c| c.0).filter(|c| !c.is_empty()),
        version: filled(row.version),
        place: filled(row.place),
        purpose: filled(row.purpose),
    };
    Ok(NewEntry { unit: UnitKey { railway, unit }, engine, at, fact: written.fact(kind)? })
}

fn results(row: &EntryText) -> Result<Option<Vec<OilResult>>, Wrong> {
    let verdict = |text: Option<String>| filled(text).map(|t| parsed::<Verdict>("verdict", t)).transpose();
    let list = row.results.clone().unwrap_or_default();
    let mut all = list
        .into_iter()
        .map(|r| {
            Ok(OilResult { quantity: r.quantity, value: r.value, uom: r.uom, verdict: verdict(r.verdict)? })
        })
        .collect::<Result<Vec<_>, Wrong>>()?;
    if let Some(quantity) = filled(row.quantity.clone()) {
        let value = needed("value", row.value)?;
        let uom = needed("uom", filled(row.uom.clone()))?;
        all.push(OilResult { quantity, value, uom, verdict: verdict(row.verdict.clone())? });
    }
    Ok(Some(all).filter(|all| !all.is_empty()))
}

fn filled(text: Option<String>) -> Option<String> {
    text.filter(|t| !t.is_empty())
}

fn needed<T>(field: &'static str, value: Option<T>) -> Result<T, Wrong> {
    value.ok_or_else(|| (field, "is needed".to_owned()))
}

fn parsed<T>(field: &'static str, text: String) -> Result<T, Wrong>
where
    T: std::str::FromStr,
    T::Err: std::fmt::Display,
{
    text.parse().map_err(|e: T::Err| (field, e.to_string()))
}

#[cfg(test)]
mod tests {
    use super::*;

    const CSV: &str = "\
at,railway,unit,kind,sample,quantity,value,uom,verdict,activity,system,item,channels
2026-05-01T06:00:00Z,northmoor,NM-1,oil-sample,L-1,iron,140.5,mg/kg,high,,,,
2026-05-01T06:00:00Z,northmoor,NM-1,oil-sample,L-1,water,0.05,%,,,,,
2026-05-02T06:00:00Z,northmoor,NM-1,maintenance,,,,,,replace,lubrication,filter,oil_pressure oil_temp
";

    #[test]
    fn rows_of_one_sample_make_one_entry() {
        let entries = read_csv(CSV).unwrap();
        let lines: Vec<String> = entries.iter().map(|e| e.fact.line()).collect();
        assert_eq!(
            lines,
            ["oil sample: iron 140.5 mg/kg (high), water 0.05 %", "replace, filter, lubrication"]
        );
        let notchwatch_model::Fact::Maintenance { channels, .. } = &entries[1].fact else { panic!() };
        assert_eq!(channels.len(), 2);
    }

    #[test]
    fn toml_says_the_same() {
        let text = r#"
            [[entries]]
            at = "2026-05-01T06:00:00Z"
            railway = "northmoor"
            unit = "NM-1"
            kind = "oil-sample"
            sample = "L-1"
            results = [
                { quantity = "iron", value = 140.5, uom = "mg/kg", verdict = "high" },
                { quantity = "water", value = 0.05, uom = "%" },
            ]
            [[entries]]
            at = "2026-05-02T06:00:00Z"
            railway = "northmoor"
            unit = "NM-1"
            kind = "maintenance"
            activity = "replace"
            system = "lubrication"
            item = "filter"
            channels = ["oil_pressure", "oil_temp"]
        "#;
        assert_eq!(read_toml(text).unwrap(), read_csv(CSV).unwrap());
    }

    #[test]
    fn what_is_wrong_is_told_with_its_place() {
        for (from, to, place, what) in [
            ("oil-sample,L-1,iron", "rumour,L-1,iron", "line 2, kind", "is not a kind of entry"),
            ("140.5", "much", "line 2", "invalid float"),
            ("140.5", "", "line 2, value", "needed"),
            ("item,", "thing,", "line", "unknown field"),
            ("2026-05-02T06:00:00Z", "2 May", "line 4, at", "2 May"),
            ("replace,lubrication", "replace,oil", "line 4, system", "lubrication"),
        ] {
            let error = read_csv(&CSV.replacen(from, to, 1)).unwrap_err().to_string();
            assert!(error.contains(place) && error.contains(what), "{to}: {error}");
        }
    }
}
