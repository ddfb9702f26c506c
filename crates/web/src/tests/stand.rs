//! The test stand: a store with two railways, a finding on each, people of each, and a clock that stands still.

use std::sync::Arc;
use std::time::Duration;

use axum::Router;
use axum::body::{Body, to_bytes};
use axum::http::{Method, Request, StatusCode, header};
use axum::response::Response;
use futures::FutureExt as _;
use futures::future::BoxFuture;
use notchwatch_desk::{
    AccountChange, Again, Clock, Desk, Evidence, EvidenceError, Level, Replay, TracePoint,
};
use notchwatch_model::{
    AccountName, ChannelIx, ClassId, Decoded, Envelope, MachinePart, Principal, RailwayFilter, RailwayId,
    Reason, Regime, Register, Role, Seq, Span, Time, UnitKey,
};
use notchwatch_store::{EvaluationCommit, FindingUpsert, NewMessage, Options, Store};
use serde_json::Value;
use tokio::sync::watch;
use tokio_util::sync::CancellationToken;
use tower::ServiceExt as _;

use crate::{Reasons, Stages, WebLimits, WebOptions, sample};

/// Password of every account.
pub(super) const PASSWORD: &str = "a password for tests";
/// No answer is cut off because the machine is busy: signing in or registering may take seconds then.
const PATIENCE: Duration = Duration::from_mins(10);
const REGISTER: &str = r#"
railways = [{ id = "northmoor", name = "Northmoor Freight", zone = "Europe/Paris" }, { id = "sarel", name = "Sarel Coast Line" }]
classes = [{ id = "demo-12", name = "demo-12", channels = [{ name = "oil_pressure", label = "Oil pressure", system = "lubrication", uom = "Pa" }] }]
units = [{ railway = "northmoor", id = "4021", class = "demo-12" }, { railway = "sarel", id = "4021", class = "demo-12" }]
"#;

#[derive(Debug)]
struct Still;

impl Clock for Still {
    fn now(&self) -> Time {
        sample::noon()
    }
}

#[derive(Debug)]
struct Formula;

impl Evidence for Formula {
    fn trace(
        &self,
        _: UnitKey,
        channels: Vec<ChannelIx>,
        from: Time,
        _: Time,
    ) -> BoxFuture<'_, Result<Vec<TracePoint>, EvidenceError>> {
        let point = TracePoint {
            time: from + Span::from_hours(1),
            channel: channels[0],
            measured: 312_000.0,
            expected: Some(380_000.0),
            spread: Some(9_400.0),
            regime: Regime::Notch(0),
            judged: true,
        };
        std::future::ready(Ok(vec![point])).boxed()
    }

    fn levels(
        &self,
        _: ClassId,
        units: Vec<UnitKey>,
        _: ChannelIx,
        _: (Time, Time),
    ) -> BoxFuture<'_, Result<Vec<Vec<Level>>, EvidenceError>> {
        let level = |middle| vec![Level { regime: Regime::Notch(0), samples: 20, middle }];
        let middles = [380_000.0, 312_000.0, 376_000.0, 384_000.0].into_iter().cycle();
        let found = middles.map(level).take(units.len()).collect();
        std::future::ready(Ok(found)).boxed()
    }
}

/// Reads nothing again: whatever it was, its unit is not registered.
#[derive(Debug)]
struct Unregistered;

impl Replay for Unregistered {
    fn again(&self, _: i64, _: RailwayFilter) -> BoxFuture<'_, notchwatch_store::Result<Again>> {
        let refused = vec![(Reason::UnknownUnit, "unit 4022 is not registered".to_owned())];
        std::future::ready(Ok(Again::StillRefused(refused))).boxed()
    }
}

/// The stand.
pub(super) struct Stand {
    pub(super) router: Router,
    pub(super) store: Store,
    pub(super) desk: Desk,
    pub(super) shutdown: CancellationToken,
    pub(super) health: watch::Sender<Reasons>,
    pub(super) stages: watch::Sender<Stages>,
    _folder: tempfile::TempDir,
}

/// An answer, read whole.
pub(super) struct Answer {
    pub(super) status: StatusCode,
    pub(super) headers: axum::http::HeaderMap,
    pub(super) text: String,
}

impl Answer {
    pub(super) fn json(&self) -> Value {
        serde_json::from_str(&self.text).unwrap_or_else(|e| panic!("{e}: {}", self.text))
    }
}

impl Stand {
    pub(super) async fn new() -> Self {
        let folder = tempfile::tempdir().unwrap();
        let url = format!("sqlite:{}", folder.path().join("t.sqlite").display());
        let store = Store::open(&Options { url, readers: 2 }).await.unwrap();
        let root = principal("root", Role::Administrator, &[]);
        let register: Register = toml::from_str(REGISTER).unwrap();
        store.put_register(&register, &root.name, sample::noon()).await.unwrap();
        let library = Arc::new(notchwatch_findings::Library::builtin().unwrap());
        let desk = Desk::new(store.clone(), Arc::new(Still), Arc::new(Formula), library)
            .replaying(Arc::new(Unregistered));
        let people = [
            root.clone(),
            principal("asha", Role::Operator, &["northmoor"]),
            principal("ben", Role::Operator, &["sarel"]),
            principal("vera", Role::Viewer, &["northmoor"]),
        ];
        for who in people {
            let change = AccountChange {
                name: who.name,
                role: who.role,
                railways: who.railways,
                enabled: true,
                password: Some(PASSWORD.to_owned()),
            };
            desk.put_account(&root, change).await.unwrap();
        }
        let shutdown = CancellationToken::new();
        let (health, watch) = watch::channel(Reasons::new());
        let (told, stages) = watch::channel(Stages::default());
        let options = WebOptions {
            stages,
            metrics: prometheus::Registry::new(),
            shutdown: shutdown.clone(),
            health: watch,
            behind_tls: false,
            limits: WebLimits {
                streams_per_caller: 2,
                answer: PATIENCE,
                heavy_answer: PATIENCE,
                ..WebLimits::default()
            },
        };
        let router = crate::router(desk.clone(), options);
        let stand = Self { router, store, desk, shutdown, health, stages: told, _folder: folder };
        stand
            .record(vec![sample::machine("northmoor", "4021", 1), sample::machine("sarel", "4021", 2)])
            .await;
        stand.refuse().await;
        stand
    }

    /// Records findings as evaluation would.
    pub(super) async fn record(&self, machines: Vec<MachinePart>) {
        let findings = machines.into_iter().map(|machine| FindingUpsert { machine, late: false }).collect();
        let commit = EvaluationCommit { position: Seq(0), findings, ..EvaluationCommit::default() };
        self.store.commit_evaluation(commit, sample::noon()).await.unwrap();
    }

    /// One refused message of each railway, and one of nobody's.
    async fn refuse(&self) {
        let batch: Vec<NewMessage> =
            ["units/northmoor/4021/senml", "units/sarel/4021/senml", "units/nobody/1/senml"]
                .into_iter()
                .map(|topic| {
                    let mut parts = topic.split('/').skip(1);
                    let (railway, unit) = (parts.next().unwrap(), parts.next().unwrap());
                    NewMessage {
                        envelope: Envelope {
                            received: sample::noon(),
                            topic: topic.to_owned(),
                            content_type: None,
                            retained: false,
                            payload: b"[{\"n\":<script>".to_vec(),
                        },
                        decoded: Decoded::refused(
                            Some(sample::key(railway, unit)),
                            Reason::Malformed,
                            "not JSON".into(),
                        ),
                    }
                })
                .collect();
        self.store.append(&batch).await.unwrap();
    }

    /// A bearer token of a person's role and railways.
    pub(super) async fn token(&self, name: &str, role: Role, railways: &[&str]) -> String {
        let root = principal("root", Role::Administrator, &[]);
        let (_, secret) =
            self.desk.create_token(&root, "test", principal(name, role, railways), None).await.unwrap();
        secret.expose().to_owned()
    }

    pub(super) async fn send(&self, request: Request<Body>) -> Answer {
        let response = self.open(request).await;
        let (parts, body) = response.into_parts();
        let bytes = to_bytes(body, 64 << 20).await.unwrap();
        Answer {
            status: parts.status,
            headers: parts.headers,
            text: String::from_utf8_lossy(&bytes).into_owned(),
        }
    }

    pub(super) async fn open(&self, request: Request<Body>) -> Response {
        self.router.clone().oneshot(request).await.unwrap()
    }

    /// `GET` with a bearer token.
    pub(super) async fn get(&self, token: &str, path: &str) -> Answer {
        self.send(call(Method::GET, path, token, &[], "")).await
    }

    /// `POST` of an act with a version.
    pub(super) async fn act(&self, token: &str, path: &str, version: &str, body: &str) -> Answer {
        self.send(call(Method::POST, path, token, &[("if-match", version)], body)).await
    }

    /// Signs in through the form; gives the cookie pair.
    pub(super) async fn sign_in(&self, name: &str, password: &str) -> Answer {
        let form = format!("name={name}&password={}", password.replace(' ', "+"));
        self.send(form_post("/sign-in", "", &form)).await
    }

    /// The cookie of somebody signed in.
    pub(super) async fn cookie(&self, name: &str) -> String {
        let answer = self.sign_in(name, PASSWORD).await;
        assert_eq!(answer.status, StatusCode::SEE_OTHER, "{}", answer.text);
        let set = answer.headers[header::SET_COOKIE].to_str().unwrap();
        set.split(';').next().unwrap().to_owned()
    }

    /// A page as somebody signed in sees it.
    pub(super) async fn page(&self, cookie: &str, path: &str) -> Answer {
        let request = Request::get(path).header(header::COOKIE, cookie).body(Body::empty()).unwrap();
        self.send(request).await
    }
}

/// A request with a bearer token; an empty one sends none.
pub(super) fn call(
    method: Method,
    path: &str,
    token: &str,
    headers: &[(&str, &str)],
    body: &str,
) -> Request<Body> {
    let mut request = Request::builder().method(method).uri(path);
    if !token.is_empty() {
        request = request.header(header::AUTHORIZATION, format!("Bearer {token}"));
    }
    for (name, value) in headers {
        request = request.header(*name, *value);
    }
    request.body(Body::from(body.to_owned())).unwrap()
}

/// A form as a browser sends it.
pub(super) fn form_post(path: &str, cookie: &str, form: &str) -> Request<Body> {
    Request::post(path)
        .header(header::CONTENT_TYPE, "application/x-www-form-urlencoded")
        .header(header::COOKIE, cookie)
        .header("sec-fetch-site", "same-origin")
        .body(Body::from(form.to_owned()))
        .unwrap()
}

/// A principal; no railways named is all.
pub(super) fn principal(name: &str, role: Role, railways: &[&str]) -> Principal {
    let railways = if railways.is_empty() {
        RailwayFilter::All
    } else {
        RailwayFilter::Only(railways.iter().map(|r| RailwayId::new(r).unwrap()).collect())
    };
    Principal { name: AccountName::new(name).unwrap(), role, railways }
}
