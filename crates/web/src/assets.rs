//! Files that pages load: the stylesheet, the scripts, the icon, and the charting library out of its crate.
//!
//! Owns their names, which carry a hash of their content, so that a browser may keep them for ever and still gets
//! the new one after an upgrade. Refuses anything from another host.

use std::collections::BTreeMap;

use bytes::Bytes;
use sha2::{Digest, Sha256};

const CSS: &[u8] = include_bytes!("../assets/console.css");
const SCRIPT: &[u8] = include_bytes!("../assets/console.js");
const EVIDENCE: &[u8] = include_bytes!("../assets/evidence.js");
const ICON: &[u8] = include_bytes!("../assets/icon.svg");

/// Names under which pages refer to the files.
#[derive(Debug, Clone)]
pub(crate) struct AssetNames {
    pub(crate) css: String,
    pub(crate) script: String,
    pub(crate) evidence: String,
    pub(crate) icon: String,
    pub(crate) plotly: String,
}

/// The files by name.
#[derive(Debug)]
pub(crate) struct Assets {
    pub(crate) names: AssetNames,
    files: BTreeMap<String, (&'static str, Bytes)>,
}

impl Assets {
    pub(crate) fn load() -> Self {
        let mut files = BTreeMap::new();
        let mut add = |stem: &str, ending: &str, kind: &'static str, content: Bytes| {
            let name = format!("{stem}-{}.{ending}", mark(&content));
            files.insert(name.clone(), (kind, content));
            name
        };
        let text = "text/javascript; charset=utf-8";
        let names = AssetNames {
            css: add("console", "css", "text/css; charset=utf-8", Bytes::from_static(CSS)),
            script: add("console", "js", text, Bytes::from_static(SCRIPT)),
            evidence: add("evidence", "js", text, Bytes::from_static(EVIDENCE)),
            icon: add("icon", "svg", "image/svg+xml", Bytes::from_static(ICON)),
            plotly: add("plotly", "js", text, Bytes::from(plotly())),
        };
        Self { names, files }
    }

    /// Content type and bytes of a file.
    pub(crate) fn find(&self, name: &str) -> Option<(&'static str, Bytes)> {
        self.files.get(name).map(|(kind, content)| (*kind, content.clone()))
    }
}

/// First half of a SHA-256, in hex: enough that two versions never share a name.
fn mark(content: &[u8]) -> String {
    let digest = Sha256::digest(content);
    crate::words::hex(digest.get(..16).unwrap_or(&digest))
}

/// The browser part of the charting library, out of the first of the script elements that the crate hands over.
/// The second holds a formula typesetter that we do not use.
fn plotly() -> String {
    let elements = plotly::Plot::offline_js_sources();
    let inner = elements
        .split_once('>')
        .and_then(|(_, rest)| rest.split_once("</script>\n"))
        .map_or(String::new(), |(script, _)| script.to_owned());
    if inner.is_empty() {
        tracing::error!("the charting library's crate holds no script: evidence plots will not be drawn");
    }
    inner
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_charting_library_is_whole_and_alone() {
        let script = plotly();
        assert!(script.contains("plotly.js v3") && script.len() > 3_000_000, "{} bytes", script.len());
        assert!(!script.contains("MathJax.loader"), "the typesetter is left out");
        assert!(!script.trim_end().ends_with("script>"));
    }

    #[test]
    fn names_follow_the_content() {
        let assets = Assets::load();
        assert!(assets.find(&assets.names.css).is_some_and(|(kind, _)| kind.starts_with("text/css")));
        assert!(assets.find("console.css").is_none(), "only the marked name is served");
    }

    #[test]
    fn scripts_are_first_party_and_without_eval() {
        for source in [SCRIPT, EVIDENCE, CSS] {
            let text = std::str::from_utf8(source).unwrap();
            for banned in ["eval(", "new Function", "http://", "https://", "innerHTML", "document.write"] {
                assert!(!text.contains(banned), "{banned}");
            }
        }
    }
}
