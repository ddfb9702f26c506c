//! Configuration: what the process needs to run, from one TOML file, everything defaulted.
//!
//! Owns names, defaults, the environment variables and the checks, so that a mistake is told with its path and what
//! would be right before anything starts. Refuses what changes findings: those are settings, kept in the store.

use std::net::SocketAddr;
use std::path::{Path, PathBuf};

use crate::keep::Keep;
use anyhow::{Context, bail};
use notchwatch_findings::CommsPolicy;
use notchwatch_model::Span;
use notchwatch_wire::{Limits, TopicPattern};
use serde::Deserialize;

/// The whole file.
#[derive(Debug, Clone, PartialEq, Deserialize, Default)]
#[serde(deny_unknown_fields, default)]
pub(crate) struct Config {
    /// Folder for the embedded store.
    pub(crate) data: Option<PathBuf>,
    /// Where people and machines reach us.
    pub(crate) listen: Listen,
    /// The store.
    pub(crate) store: StoreConfig,
    /// The broker.
    pub(crate) mqtt: Mqtt,
    /// Files of the register, loaded at start.
    pub(crate) register: RegisterConfig,
    /// Limits on what comes in.
    pub(crate) limits: LimitsConfig,
    /// Evaluation.
    pub(crate) judge: Judge,
    /// Links of units.
    pub(crate) comms: Comms,
    /// What is kept, and how long.
    pub(crate) keep: Keep,
    /// The process's own log.
    pub(crate) log: Log,
}

/// `[listen]`
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub(crate) struct Listen {
    /// Address and port.
    pub(crate) address: SocketAddr,
    /// A proxy in front ends TLS: cookies are marked secure.
    pub(crate) behind_tls: bool,
}

/// `[store]`
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub(crate) struct StoreConfig {
    /// `sqlite:PATH` or `postgres://…`; absent: SQLite in the data folder.
    pub(crate) url: Option<String>,
    /// Connections that read at one time.
    pub(crate) readers: u32,
}

/// `[mqtt]`
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub(crate) struct Mqtt {
    /// `mqtt://HOST:PORT` or `mqtts://HOST:PORT`.
    pub(crate) url: String,
    /// Stable client identifier: the broker keeps our session under it.
    pub(crate) client_id: String,
    /// User name, where the broker asks for one.
    pub(crate) username: Option<String>,
    /// File with the password; `NOTCHWATCH_MQTT_PASSWORD` comes first.
    pub(crate) password_file: Option<PathBuf>,
    /// File with the certificates that sign the broker's, for `mqtts`; absent: the system's.
    pub(crate) ca_file: Option<PathBuf>,
    /// Topic pattern with `{railway}` and `{unit}`.
    pub(crate) topic: String,
    /// Messages in flight, not yet committed.
    pub(crate) receive_maximum: u16,
    /// Unhealthy when nothing came for this long, in seconds; 0 never.
    pub(crate) quiet_after_s: u32,
}

/// `[register]`
#[derive(Debug, Clone, PartialEq, Deserialize, Default)]
#[serde(deny_unknown_fields, default)]
pub(crate) struct RegisterConfig {
    /// TOML files, merged in this order over what the store holds.
    pub(crate) files: Vec<PathBuf>,
}

/// `[limits]`
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub(crate) struct LimitsConfig {
    /// Bytes a message.
    pub(crate) message_bytes: usize,
    /// Records a pack.
    pub(crate) records: usize,
    /// Clock tolerance ahead of receive time, in seconds.
    pub(crate) ahead_s: u32,
    /// Clock tolerance behind receive time, in days.
    pub(crate) behind_days: u32,
}

/// `[judge]`
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub(crate) struct Judge {
    /// Late data within this many hours are judged anew; older ones are kept only.
    pub(crate) horizon_h: u32,
    /// A finding whose evidence came later than this many minutes is marked late.
    pub(crate) lateness_min: u32,
}

/// `[comms]`
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(deny_unknown_fields, default)]
#[expect(clippy::struct_field_names, reason = "each key names its unit of measure")]
pub(crate) struct Comms {
    /// How often links are judged, in seconds.
    pub(crate) tick_s: u32,
    /// Nobody is called silent sooner than this, in seconds, whatever the habit.
    pub(crate) silent_after_s: u32,
    /// Data older than this at receipt are a backlog, in seconds.
    pub(crate) fresh_s: u32,
    /// After an outage of ours, time before anybody is judged, in seconds.
    pub(crate) grace_s: u32,
    /// An outage of ours is a finding once it has lasted so long, in seconds.
    pub(crate) own_after_s: u32,
}

/// `[log]`
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub(crate) struct Log {
    /// `text` or `json`.
    pub(crate) form: LogForm,
    /// Filter directives, such as `info` or `info,notchwatch_ingest=debug`.
    pub(crate) filter: String,
}

/// Form of the process's log.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub(crate) enum LogForm {
    /// For people.
    Text,
    /// One JSON object a line.
    Json,
}

impl Default for Listen {
    fn default() -> Self {
        Self { address: SocketAddr::from(([127, 0, 0, 1], 8470)), behind_tls: false }
    }
}

impl Default for StoreConfig {
    fn default() -> Self {
        Self { url: None, readers: 4 }
    }
}

impl Default for Mqtt {
    fn default() -> Self {
        Self {
            url: "mqtt://127.0.0.1:1883".to_owned(),
            client_id: "notchwatch".to_owned(),
            username: None,
            password_file: None,
            ca_file: None,
            topic: "units/{railway}/{unit}/senml".to_owned(),
            receive_maximum: 8000,
            quiet_after_s: 0,
        }
    }
}

impl Default for LimitsConfig {
    fn default() -> Self {
        let limits = Limits::default();
        Self {
            message_bytes: limits.message_bytes,
            records: limits.records,
            ahead_s: u32::try_from(limits.ahead.micros() / 1_000_000).unwrap_or(u32::MAX),
            behind_days: u32::try_from(limits.behind.micros() / 86_400_000_000).unwrap_or(u32::MAX),
        }
    }
}

impl Default for Judge {
    fn default() -> Self {
        Self { horizon_h: 48, lateness_min: 30 }
    }
}

impl Default for Comms {
    fn default() -> Self {
        let policy = CommsPolicy::default();
        let secs = |span: Span| u32::try_from(span.micros() / 1_000_000).unwrap_or(u32::MAX);
        Self {
            tick_s: secs(policy.tick),
            silent_after_s: secs(policy.floor),
            fresh_s: secs(policy.fresh),
            grace_s: secs(policy.grace),
            own_after_s: secs(policy.own),
        }
    }
}

impl Default for Log {
    fn default() -> Self {
        Self { form: LogForm::Text, filter: "info".to_owned() }
    }
}

/// Host, port and whether TLS, from a broker's URL.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct BrokerAddress {
    pub(crate) host: String,
    pub(crate) port: u16,
    pub(crate) tls: bool,
}

impl Config {
    /// Reads and checks a file. Paths in it count from the file's folder.
    pub(crate) fn load(path: &Path) -> anyhow::Result<Self> {
        let text =
            std::fs::read_to_string(path).with_context(|| format!("{}: cannot be read", path.display()))?;
        let mut config: Config = toml::from_str(&text).with_context(|| path.display().to_string())?;
        config.resolve(path.parent().unwrap_or(Path::new(".")));
        config.check().with_context(|| path.display().to_string())?;
        Ok(config)
    }

    fn resolve(&mut self, folder: &Path) {
        let paths = self.data.iter_mut().chain(self.register.files.iter_mut());
        for path in paths.chain(self.mqtt.password_file.iter_mut()).chain(self.mqtt.ca_file.iter_mut()) {
            *path = folder.join(&*path);
        }
    }

    /// Everything that can be told without starting.
    pub(crate) fn check(&self) -> anyhow::Result<()> {
        self.broker().context("mqtt.url")?;
        self.topic().context("mqtt.topic")?;
        if self.mqtt.client_id.is_empty() {
            bail!("mqtt.client_id: a client identifier that stays the same over restarts is needed");
        }
        if self.mqtt.receive_maximum == 0 {
            bail!("mqtt.receive_maximum: 1 to 65535");
        }
        if let Some(url) = &self.store.url
            && !["sqlite:", "postgres://", "postgresql://"].iter().any(|scheme| url.starts_with(scheme))
        {
            bail!("store.url: begins with sqlite: or postgres://");
        }
        if self.comms.tick_s == 0 {
            bail!("comms.tick_s: 1 or more");
        }
        if self.store.readers == 0 {
            bail!("store.readers: 1 or more");
        }
        self.keep.check(self.limits.behind_days)?;
        if let Some(file) = self.register.files.iter().find(|f| !f.is_file()) {
            bail!("register.files: {} is not a file", file.display());
        }
        Ok(())
    }

    /// The broker's address.
    pub(crate) fn broker(&self) -> anyhow::Result<BrokerAddress> {
        broker(&self.mqtt.url)
    }

    /// The topic pattern.
    pub(crate) fn topic(&self) -> anyhow::Result<TopicPattern> {
        TopicPattern::parse(&self.mqtt.topic).map_err(|e| anyhow::anyhow!("{e}"))
    }

    /// Limits of decoding.
    pub(crate) fn limits(&self) -> Limits {
        Limits {
            message_bytes: self.limits.message_bytes,
            records: self.limits.records,
            ahead: Span::from_secs(i64::from(self.limits.ahead_s)),
            behind: Span::from_days(i64::from(self.limits.behind_days)),
            ..Limits::default()
        }
    }

    /// How links are judged.
    pub(crate) fn comms(&self) -> CommsPolicy {
        let span = |secs: u32| Span::from_secs(i64::from(secs));
        CommsPolicy {
            tick: span(self.comms.tick_s),
            floor: span(self.comms.silent_after_s),
            fresh: span(self.comms.fresh_s),
            grace: span(self.comms.grace_s),
            own: span(self.comms.own_after_s),
            ..CommsPolicy::default()
        }
    }

    /// Folder for the embedded store.
    pub(crate) fn data(&self) -> PathBuf {
        self.data.clone().unwrap_or_else(|| PathBuf::from("notchwatch-data"))
    }

    /// Address of the store: the environment's, the file's, or SQLite in the data folder.
    pub(crate) fn store_url(&self) -> String {
        environment("NOTCHWATCH_DATABASE_URL")
            .or_else(|| self.store.url.clone())
            .unwrap_or_else(|| format!("sqlite:{}", self.data().join("notchwatch.db").display()))
    }

    /// The broker's password.
    pub(crate) fn mqtt_password(&self) -> anyhow::Result<Option<String>> {
        if let Some(password) = environment("NOTCHWATCH_MQTT_PASSWORD") {
            return Ok(Some(password));
        }
        let Some(path) = &self.mqtt.password_file else { return Ok(None) };
        let text = std::fs::read_to_string(path)
            .with_context(|| format!("mqtt.password_file: {}", path.display()))?;
        Ok(Some(text.trim_end_matches(['\r', '\n']).to_owned()))
    }
}

#[expect(clippy::disallowed_methods, reason = "the one place that reads the environment")]
fn environment(name: &str) -> Option<String> {
    std::env::var(name).ok().filter(|value| !value.is_empty())
}

fn broker(url: &str) -> anyhow::Result<BrokerAddress> {
    let (tls, rest) = match url.split_once("://") {
        Some(("mqtt", rest)) => (false, rest),
        Some(("mqtts", rest)) => (true, rest),
        _ => bail!("{url:?} does not begin with mqtt:// or mqtts://"),
    };
    let rest = rest.trim_end_matches('/');
    let (host, port) = match rest.rsplit_once(':') {
        Some((host, port)) => {
            (host, port.parse().with_context(|| format!("{port:?} is not a port, 1 to 65535"))?)
        }
        None => (rest, if tls { 8883 } else { 1883 }),
    };
    if host.is_empty() || host.contains(['/', '@']) {
        bail!("{url:?} is not of the form mqtt://HOST:PORT");
    }
    Ok(BrokerAddress { host: host.trim_matches(['[', ']']).to_owned(), port, tls })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_empty_file_is_a_whole_configuration() {
        let config: Config = toml::from_str("").unwrap();
        assert_eq!(config, Config::default());
        config.check().unwrap();
        assert_eq!(config.listen.address.to_string(), "127.0.0.1:8470");
    }

    #[test]
    fn a_wrong_word_is_told_with_its_line_and_the_right_ones() {
        let error = toml::from_str::<Config>("[listen]\nadress = \"x\"\n").unwrap_err().to_string();
        assert!(error.contains("line 2") && error.contains("address"), "{error}");
        let error = toml::from_str::<Config>("[log]\nform = \"xml\"\n").unwrap_err().to_string();
        assert!(error.contains("`text`") && error.contains("`json`"), "{error}");
    }

    #[test]
    fn a_broker_address_is_taken_apart() {
        let of = |url: &str| broker(url).map(|b| (b.host, b.port, b.tls)).map_err(|e| e.to_string());
        assert_eq!(of("mqtt://127.0.0.1:1884"), Ok(("127.0.0.1".into(), 1884, false)));
        assert_eq!(of("mqtts://broker.example"), Ok(("broker.example".into(), 8883, true)));
        assert_eq!(of("mqtt://[::1]:1883/"), Ok(("::1".into(), 1883, false)));
        for bad in ["127.0.0.1:1883", "http://x", "mqtt://", "mqtt://a:b", "mqtt://user@host:1883"] {
            assert!(of(bad).is_err(), "{bad}");
        }
    }

    #[test]
    fn each_check_names_its_key() {
        for (text, key) in [
            ("[mqtt]\nurl = \"x\"", "mqtt.url"),
            ("[mqtt]\ntopic = \"a/b\"", "mqtt.topic"),
            ("[mqtt]\nclient_id = \"\"", "mqtt.client_id"),
            ("[store]\nurl = \"mysql://x\"", "store.url"),
            ("[register]\nfiles = [\"/nowhere.toml\"]", "register.files"),
        ] {
            let error = format!("{:#}", toml::from_str::<Config>(text).unwrap().check().unwrap_err());
            assert!(error.contains(key), "{error}");
        }
    }
}
