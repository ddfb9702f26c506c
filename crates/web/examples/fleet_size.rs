//! How long pages and answers take in front of a large fleet: a store in a temporary folder with units, links, grades and
//! findings made up in numbers, every address asked for some times; prints least, middle and most, and the size.
//! `cargo run -p notchwatch-web --example fleet_size -- 20000 100000` (units, findings).

#[path = "preview/formula.rs"]
mod formula;
#[path = "preview/made_up.rs"]
#[expect(dead_code, reason = "the preview shows more of it")]
mod made_up;
#[path = "preview/stand.rs"]
mod stand;

use std::error::Error;
use std::io::Write as _;
use std::time::Instant;

use axum::body::{Body, to_bytes};
use axum::http::{Request, header};
use notchwatch_model::{
    CommsState, FindingId, FindingKind, MachinePart, Opening, Outcome, Priority, Register, Span, System,
    Time, Unit, UnitComms,
};
use notchwatch_store::{EvaluationCommit, FindingUpsert, Store, UnitProgress};
use tower::ServiceExt as _;

type Done<T> = Result<T, Box<dyn Error>>;

const PASSWORD: &str = "only for measuring pages";
/// Findings committed in one transaction.
const AT_ONCE: usize = 2_000;
/// Times that each address is asked for.
const ROUNDS: usize = 5;
/// One finding in so many is open.
const OPEN_OF: usize = 20;

#[tokio::main]
async fn main() -> Done<()> {
    let mut numbers = std::env::args().skip(1).map(|a| a.parse::<usize>());
    let units = numbers.next().transpose()?.unwrap_or(20_000);
    let findings = numbers.next().transpose()?.unwrap_or(100_000);
    let folder = tempfile::tempdir()?;
    let store = stand::store(folder.path(), 4).await?;
    let who = stand::who()?;
    let now = made_up::now();
    let register = fleet(units)?;
    store.put_register(&register, &who.name, now).await?;
    link(&store, &register, now).await?;
    find(&store, &register, findings, now).await?;
    let desk = stand::desk(store, PASSWORD).await?;
    let graded = Instant::now();
    desk.record_health().await?;
    let mut out = std::io::stdout();
    writeln!(
        out,
        "{units} units, {findings} findings; all graded in {:.2} s",
        graded.elapsed().as_secs_f64()
    )?;
    measure(stand::router(desk), &mut out).await
}

/// The made-up class and railways, with as many units as asked for.
fn fleet(units: usize) -> Done<Register> {
    let mut register = made_up::register()?;
    let first = register.units.first().cloned().ok_or("no unit")?;
    let unit = |number: usize| -> Done<Unit> {
        let id = format!("{}", 10_000 + number).parse()?;
        Ok(Unit { id, region: format!("region {}", number % 12), engines: vec![], ..first.clone() })
    };
    register.units = (0..units).map(unit).collect::<Done<_>>()?;
    Ok(register)
}

/// Progress and links of every unit.
async fn link(store: &Store, register: &Register, now: Time) -> Done<()> {
    for (part, units) in register.units.chunks(AT_ONCE).enumerate() {
        let mut commit = EvaluationCommit::default();
        for (place, unit) in units.iter().enumerate() {
            let heard = now - Span::from_secs(i64::try_from((part + place) % 900)?.max(1));
            commit.progress.push(UnitProgress {
                unit: unit.key(),
                judged: Some(heard),
                received: Some(heard),
                samples: 12_960_000,
                repeats: 3,
                conflicts: 0,
                models: Some(notchwatch_store::ModelReport::default()),
            });
            commit.comms.push(UnitComms {
                unit: unit.key(),
                state: if place % 50 == 0 { CommsState::Silent } else { CommsState::Reporting },
                since: heard,
                heard: Some(heard),
                usual: Some(Span::from_mins(1)),
                limit: Span::from_hours(1),
                clock_offset: None,
            });
        }
        store.commit_evaluation(commit, now).await?;
    }
    Ok(())
}

/// Findings of the last thirty days, one in [`OPEN_OF`] of them open.
async fn find(store: &Store, register: &Register, findings: usize, now: Time) -> Done<()> {
    let numbers: Vec<usize> = (0..findings).collect();
    for some in numbers.chunks(AT_ONCE) {
        let mut commit = EvaluationCommit::default();
        let minute =
            i64::try_from(some.first().copied().unwrap_or_default())? * 43_000 / i64::try_from(findings)?;
        let at = now - Span::from_mins(minute);
        for number in some {
            let unit = register.units.get(number * 7 % register.units.len().max(1)).ok_or("no unit")?;
            let mut machine = MachinePart::new(Opening {
                id: FindingId::new(&format!("f-{number:016x}"))?,
                unit: unit.key(),
                class: unit.class.clone(),
                system: System::Cooling,
                kind: FindingKind::Machine,
                onset: at - Span::from_hours(3),
                opened: at,
            });
            machine.title = "Coolant temperature 6.2 °C above expected at notch 8 since 6 Nov UTC".into();
            machine.priority = *Priority::ALL.get(number % 4).ok_or("no priority")?;
            machine.ended = (number % OPEN_OF != 0).then_some((at, Outcome::ReturnedToNormal));
            commit.findings.push(FindingUpsert { machine, late: false });
        }
        store.commit_evaluation(commit, at).await?;
    }
    Ok(())
}

async fn measure(router: axum::Router, out: &mut impl std::io::Write) -> Done<()> {
    let form = format!("name=asha&password={}", PASSWORD.replace(' ', "+"));
    let sign_in = Request::post("/sign-in")
        .header(header::CONTENT_TYPE, "application/x-www-form-urlencoded")
        .header("sec-fetch-site", "same-origin")
        .body(Body::from(form))?;
    let answer = router.clone().oneshot(sign_in).await?;
    let cookie = answer.headers().get(header::SET_COOKIE).ok_or("not signed in")?.to_str()?;
    let cookie = cookie.split(';').next().unwrap_or_default().to_owned();
    for address in [
        "/fleet",
        "/fleet?sort=heard&page=200",
        "/feed",
        "/queue",
        "/load",
        "/units/northmoor/10007",
        "/api/v1/units",
        "/api/v1/units?limit=1000",
        "/api/v1/units?sort=health&cursor=10000",
        "/api/v1/feed",
        "/api/v1/load",
        "/api/v1/findings?open=true&limit=500",
    ] {
        let mut times = Vec::new();
        let mut bytes = 0;
        for _ in 0..ROUNDS {
            let request = Request::get(address).header(header::COOKIE, &cookie).body(Body::empty())?;
            let begun = Instant::now();
            let answer = router.clone().oneshot(request).await?;
            let status = answer.status();
            bytes = to_bytes(answer.into_body(), 64 << 20).await?.len();
            times.push(begun.elapsed().as_secs_f64() * 1e3);
            if !status.is_success() {
                return Err(format!("{address}: {status}").into());
            }
        }
        let first = times.first().copied().unwrap_or_default();
        times.sort_by(f64::total_cmp);
        let of = |place: usize| times.get(place).copied().unwrap_or_default();
        writeln!(
            out,
            "{address}: first {first:.0} ms, least {:.0}, middle {:.0}, most {:.0}; {} KiB",
            of(0),
            of(ROUNDS / 2),
            of(ROUNDS - 1),
            bytes / 1024
        )?;
    }
    Ok(())
}
