//! Damage on the way of lists, logs and streams: what cannot be read is named and passed over, and the rest is served.

use notchwatch_model::{
    Activity, CommsState, Decoded, EventId, Fact, Finding, MachinePart, NewEntry, Origin, Priority, Reason,
    Seq, Span, TimelineId, UnitComms, UnitKey, Withdrawal,
};
use notchwatch_store::{
    Depth, Error, EvaluationCommit, FindingQuery, ModelReport, QuarantineQuery, TimelineQuery, UnitProgress,
    Verdict,
};

use crate::bed::{Bed, Engine, account, at, message, only, sample, unit};
use crate::findings::{ALL, acknowledge, commit, id, machine};
use crate::spared::{break_chain, places};

pub(crate) async fn a_damaged_finding_costs_itself_and_stays_as_it_is(bed: &Bed) {
    let store = bed.open().await;
    let names: Vec<String> = (1..=5).map(|n| format!("f-{n}")).collect();
    let machines = || names.iter().map(|name| machine(name, "northmoor/NM-1"));
    store.commit_evaluation(commit(machines().collect()), at(0)).await.unwrap();
    let listed = async |limit| {
        let mut query = FindingQuery { limit, ..FindingQuery::default() };
        let mut found = Vec::new();
        loop {
            let page = store.findings(&query, &ALL, at(0)).await.unwrap();
            found.extend(page.items.into_iter().map(|finding| finding.machine.id.to_string()));
            match page.next {
                None => return found,
                next => query.after = next,
            }
        }
    };
    assert_eq!(listed(2).await, ["f-1", "f-2", "f-3", "f-4", "f-5"]);
    bed.sql(
        "UPDATE finding SET machine = '{' WHERE id = 'f-2'; UPDATE finding SET told = '{' WHERE id = 'f-4'",
    )
    .await;
    let one =
        store.findings(&FindingQuery { limit: 1, ..FindingQuery::default() }, &ALL, at(0)).await.unwrap();
    assert!(!one.left_out, "the first page lacks nothing");
    assert!(store.findings(&FindingQuery::default(), &ALL, at(0)).await.unwrap().left_out);
    for limit in [1, 2, 10] {
        assert_eq!(listed(limit).await, ["f-1", "f-3", "f-4", "f-5"], "{limit} a page");
    }
    assert_eq!(store.unit_findings(&unit("northmoor/NM-1"), at(-900)).await.unwrap().len(), 4);
    assert_eq!(places(&store), ["finding f-2"]);
    let asked = store.finding(&id("f-2"), &ALL).await;
    assert!(matches!(asked, Err(Error::Damaged { .. })), "who asks for it is told: {asked:?}");

    let lower = machines().map(|machine| MachinePart { priority: Priority::Low, ..machine }).collect();
    let told = store.commit_evaluation(commit(lower), at(60)).await.unwrap();
    assert_eq!(told.len(), 4, "what was told last is taken to be what stood");
    assert_eq!(places(&store), ["finding f-2"]);
    assert_eq!(store.check(Depth::Deep).await.unwrap().damage, store.damage());
    let judge = |finding: &Finding, _: Option<&Finding>| Verdict::Apply(finding.operator.clone());
    let decided = store.decide(&acknowledge("f-2", "ada", 1), &ALL, &judge).await;
    assert!(matches!(decided, Err(Error::Damaged { .. })), "{decided:?}");
    store.decide(&acknowledge("f-3", "ada", 2), &ALL, &judge).await.unwrap().unwrap();

    bed.sql("UPDATE finding SET machine = (SELECT REPLACE(m.machine, 'f-1', 'f-2') FROM finding m WHERE m.id = 'f-1') WHERE id = 'f-2'").await;
    let closed = machines().map(|machine| MachinePart { priority: Priority::High, ..machine }).collect();
    assert_eq!(store.commit_evaluation(commit(closed), at(120)).await.unwrap().len(), 5, "mended");
    assert_eq!(places(&store), [""; 0]);
    store.close().await;
}

pub(crate) async fn a_log_is_read_past_what_is_damaged(bed: &Bed) {
    let store = bed.open().await;
    let entries: Vec<NewEntry> = (1..=3).map(|n| fact(&format!("text {n}"), n)).collect();
    store.record_entries(&entries, &account("ada"), Origin::Api, at(0)).await.unwrap();
    let withdrawal = Withdrawal { at: at(9), by: account("ada"), reason: "wrong".into() };
    store.withdraw_entry(TimelineId(2), &ALL, &withdrawal).await.unwrap().unwrap();
    for n in 0..3 {
        store.put_tick(at(n), &[]).await.unwrap();
    }
    let machines = (1..=3).map(|n| machine(&format!("f-{n}"), "northmoor/NM-1")).collect();
    store.commit_evaluation(commit(machines), at(0)).await.unwrap();
    bed.sql(&format!(
        "UPDATE timeline SET fact = '{{' WHERE id = 2; UPDATE clock_tick SET refused = '{{' WHERE id IN (2, 3); \
         UPDATE event SET document = {} WHERE id = 2",
        "substr(document, 9)"
    ))
    .await;

    let steps = store.timeline_after(TimelineId(0), 10).await.unwrap();
    let ids: Vec<_> = steps.items.iter().map(|step| step.id.0).collect();
    assert_eq!((ids, steps.to, steps.left_out), (vec![1, 3], TimelineId(4), 2), "with its withdrawal");
    let of_unit = store.timeline_of(&unit("northmoor/NM-1"), None, TimelineId(4)).await.unwrap();
    assert_eq!(of_unit.len(), 2);
    let before = store.timeline_of(&unit("northmoor/NM-1"), None, TimelineId(3)).await.unwrap();
    assert_eq!(before.len(), 2, "it is left out of what was before as well");
    let all = TimelineQuery { withdrawn: true, ..TimelineQuery::default() };
    assert_eq!(store.timeline(&all, &ALL).await.unwrap().len(), 2);

    let ticks = store.ticks_after(0, 2).await.unwrap();
    assert_eq!((ticks.items.len(), ticks.to, ticks.full, ticks.left_out), (1, 2, true, 1));
    let last = store.ticks_after(2, 2).await.unwrap();
    assert_eq!((last.items.len(), last.to, last.full, last.left_out), (0, 3, false, 1));
    assert_eq!(store.newest_tick().await.unwrap(), None, "the next is then due at once");

    let events = store.events_after(EventId(0), &ALL, 10).await.unwrap();
    let ids: Vec<_> = events.items.iter().map(|event| event.id.0).collect();
    assert_eq!((ids, events.to, events.left_out), (vec![1, 3], EventId(3), 1));
    let others = store.events_after(EventId(0), &only("sarel"), 10).await.unwrap();
    assert_eq!(
        (others.items.len(), others.to, others.left_out),
        (0, EventId(0), 0),
        "another railway's is no loss"
    );

    let known = ["event 2", "timeline 2", "timeline 4", "clock tick 2", "clock tick 3"];
    assert_eq!(places(&store), known);
    for depth in [Depth::Quick, Depth::Deep] {
        let found = store.check(depth).await.unwrap();
        assert_eq!((found.events, found.timelines, found.ticks), (3, 4, 3));
        assert_eq!(found.damage, store.damage(), "told once");
    }
    store.close().await;
    let store = bed.reopen().await;
    store.check(Depth::Quick).await.unwrap();
    assert_eq!(places(&store), known, "a check finds them by itself");
    store.close().await;
}

pub(crate) async fn a_damaged_refusal_costs_itself(bed: &Bed) {
    let store = bed.open().await;
    let wrong = |name: &str, received| {
        let mut message = message(name, received, vec![]);
        message.decoded = Decoded::refused(Some(unit(name)), Reason::ClockAhead, "a day ahead".into());
        message
    };
    store
        .append(&[wrong("northmoor/NM-1", 1), wrong("northmoor/NM-2", 2), wrong("sarel/SC-1", 3)])
        .await
        .unwrap();
    let first = store.put_tick(at(4), &[]).await.unwrap();
    assert_eq!(first.refused.len(), 0, "what was before the first tick is nobody's");
    store.append(&[wrong("northmoor/NM-1", 5), wrong("northmoor/NM-2", 6)]).await.unwrap();
    bed.sql("UPDATE quarantine SET received = 9223372036854775807 WHERE unit = 'NM-2'").await;
    let one_a_page = async |after| {
        let query = QuarantineQuery { limit: 1, after, ..QuarantineQuery::default() };
        let page = store.quarantine(&query, &ALL).await.unwrap();
        (page.items.into_iter().map(|row| row.received).collect::<Vec<_>>(), page.next)
    };
    let (items, next) = one_a_page(None).await;
    assert_eq!(items, []);
    assert_eq!(one_a_page(next).await.0, [at(5)], "the page goes on behind it");
    let all = store.quarantine(&QuarantineQuery::default(), &ALL).await.unwrap().items;
    assert_eq!(all.len(), 3);
    assert_eq!(store.quarantine_counts(&ALL).await.unwrap(), [(Reason::ClockAhead, 5)]);
    assert_eq!(places(&store), ["quarantine 2", "quarantine 5"]);
    let tick = store.put_tick(at(7), &[String::from("broker")]).await.unwrap();
    assert_eq!(
        (tick.refused.len(), tick.trouble.len()),
        (0, 1),
        "a clock that stands would stop everybody's links"
    );
    assert_eq!(places(&store), ["quarantine 2", "quarantine 5", "table quarantine"]);
    assert_eq!(store.ticks_after(0, 9).await.unwrap().items, [first, tick]);
    store.close().await;
}

pub(crate) async fn what_is_known_of_a_unit_is_read_past_what_is_damaged(bed: &Bed) {
    let store = bed.open().await;
    let (nm, sc) = (unit("northmoor/NM-1"), unit("sarel/SC-1"));
    let progress = |unit: &UnitKey| UnitProgress {
        unit: unit.clone(),
        judged: Some(at(60)),
        received: Some(at(61)),
        samples: 7,
        repeats: 0,
        conflicts: 0,
        models: Some(ModelReport::default()),
    };
    let link = |unit: &UnitKey| UnitComms {
        unit: unit.clone(),
        state: CommsState::Reporting,
        since: at(0),
        heard: Some(at(60)),
        usual: None,
        limit: Span::from_mins(5),
        clock_offset: None,
    };
    let written = || EvaluationCommit {
        progress: vec![progress(&nm), progress(&sc)],
        comms: vec![link(&nm), link(&sc)],
        ..EvaluationCommit::default()
    };
    store.commit_evaluation(written(), at(0)).await.unwrap();
    let both = [nm.clone(), sc.clone()];
    bed.sql("UPDATE model_report SET learning = '{' WHERE unit_no = (SELECT unit_no FROM unit WHERE unit = 'NM-1')")
        .await;
    let found = store.progress_of(&both).await.unwrap();
    assert_eq!(found, [UnitProgress { models: None, ..progress(&nm) }, progress(&sc)]);
    bed.sql(
        "UPDATE progress SET samples = -1 WHERE unit_no = (SELECT unit_no FROM unit WHERE unit = 'NM-1')",
    )
    .await;
    bed.sql("UPDATE comms SET state = 'x' WHERE unit_no = (SELECT unit_no FROM unit WHERE unit = 'NM-1')")
        .await;
    let nothing = UnitProgress { judged: None, received: None, samples: 0, models: None, ..progress(&nm) };
    assert_eq!(store.progress(&ALL).await.unwrap(), [nothing, progress(&sc)]);
    assert_eq!(store.comms_of(&both).await.unwrap(), [link(&sc)]);
    assert_eq!(store.comms(&ALL).await.unwrap(), [link(&sc)]);
    let known = ["progress of unit_no 1", "what models say of unit_no 1", "link of unit_no 1"];
    assert_eq!(places(&store), known);
    assert_eq!(store.check(Depth::Quick).await.unwrap().damage, store.damage());
    store.commit_evaluation(written(), at(0)).await.unwrap();
    assert_eq!((store.progress(&ALL).await.unwrap().len(), store.comms(&ALL).await.unwrap().len()), (2, 2));
    assert_eq!(places(&store), [""; 0], "written anew");
    store.close().await;
}

/// Messages, entries and findings that a statement over several rows fails on.
pub(crate) async fn what_stands_on_pages_that_cannot_be_read_costs_itself(bed: &Bed) {
    let store = bed.open().await;
    let sent: Vec<_> = (1..=4).map(|n| message("northmoor/NM-2", n, vec![sample(n, 0, 1.0)])).collect();
    store.append(&sent).await.unwrap();
    let nm = unit("northmoor/NM-1");
    // No part of it comes twice.
    let long = |name: &str| (0..6_000).map(|n| [name, &n.to_string()].join(" ")).collect::<Vec<_>>().concat();
    let texts = [long("a"), long("b"), long("c")];
    let entries: Vec<NewEntry> = texts.iter().zip(1..).map(|(text, n)| fact(text, n)).collect();
    store.record_entries(&entries, &account("ada"), Origin::Api, at(0)).await.unwrap();
    let of = |name: &str, title: &str| MachinePart { title: title.into(), ..machine(name, "northmoor/NM-1") };
    let titles = [long("e"), long("f"), long("g")];
    let machines = || titles.iter().zip(["f-1", "f-2", "f-3"]).map(|(title, name)| of(name, title));
    store.commit_evaluation(commit(machines().collect()), at(0)).await.unwrap();
    store.close().await;
    match bed.engine {
        Engine::Sqlite => {
            break_chain(bed, texts[1].as_bytes()).await;
            break_chain(bed, titles[1].as_bytes()).await;
        }
        Engine::Postgres => bed.sql(&unreadable_in_postgres()).await,
    }

    let store = bed.reopen().await;
    let steps = store.timeline_after(TimelineId(0), 10).await.unwrap();
    assert_eq!((steps.items.len(), steps.to, steps.full, steps.left_out), (2, TimelineId(3), false, 1));
    assert_eq!(store.timeline_of(&nm, None, TimelineId(3)).await.unwrap().len(), 2);
    assert_eq!(store.timeline(&TimelineQuery::default(), &ALL).await.unwrap().len(), 2);
    let page =
        store.findings(&FindingQuery { limit: 1, ..FindingQuery::default() }, &ALL, at(0)).await.unwrap();
    assert_eq!(
        (page.items.len(), page.next.is_some(), page.left_out),
        (1, true, true),
        "said, wherever they are"
    );
    let second = FindingQuery { limit: 1, after: page.next, ..FindingQuery::default() };
    let page = store.findings(&second, &ALL, at(0)).await.unwrap();
    assert_eq!((page.items.len(), page.next.is_some()), (1, false), "behind it, and the last");
    assert_eq!(store.findings(&FindingQuery::default(), &ALL, at(0)).await.unwrap().items.len(), 2);
    assert_eq!(store.unit_findings(&nm, at(-900)).await.unwrap().len(), 2);
    assert_eq!(places(&store), ["finding f-2", "timeline 2"]);
    let counts = store.finding_counts(&FindingQuery::default(), &account("ada"), &ALL, at(0)).await.unwrap();
    assert_eq!(counts.iter().map(|count| count.all).sum::<u64>(), 3, "what it takes to count is there");
    if bed.engine == Engine::Sqlite {
        let lower = machines().map(|machine| MachinePart { priority: Priority::Low, ..machine }).collect();
        assert_eq!(
            store.commit_evaluation(commit(lower), at(60)).await.unwrap().len(),
            2,
            "the others are written"
        );
    } else {
        bed.sql(&unreadable_journal_in_postgres()).await;
        let read = async |after, limit| {
            let part = store.journal_after(Seq(after), limit).await.unwrap();
            let seqs = part.items.into_iter().map(|message| message.seq.0).collect::<Vec<_>>();
            (seqs, part.to, part.left_out)
        };
        assert_eq!(read(0, 9).await, (vec![1, 3], Seq(4), 2));
        assert_eq!(read(1, 1).await, (vec![], Seq(2), 1), "whoever comes to it gets past it");
        assert_eq!(read(3, 9).await, (vec![], Seq(4), 1), "the newest as well");
        let lost = ["message of journal 2", "message of journal 4", "finding f-2", "timeline 2"];
        assert_eq!(places(&store), lost);
    }
    store.close().await;
}

fn unreadable_journal_in_postgres() -> String {
    let function = raising("read_packed", "journal", "BIGINT", "2 OR key = 4").replace("TEXT", "BYTEA");
    function
        + "ALTER TABLE journal RENAME TO journal_pages; CREATE VIEW journal AS SELECT seq, unit_no, received, retained, \
           approximate, read_packed(seq, packed) AS packed, extras, crc FROM journal_pages"
}

/// A function that answers for some rows as a page that lost its checksum does.
fn raising(name: &str, of: &str, key: &str, hit: &str) -> String {
    format!(
        "CREATE FUNCTION {name}(key {key}, value TEXT) RETURNS TEXT STABLE LANGUAGE plpgsql AS $$ BEGIN \
         IF key = {hit} THEN RAISE EXCEPTION 'invalid page in block 0 of relation {of}' \
         USING ERRCODE = 'XX001'; END IF; RETURN value; END $$; "
    )
}

/// The second of each entry and finding.
fn unreadable_in_postgres() -> String {
    let entries = "ALTER TABLE timeline RENAME TO timeline_pages; CREATE VIEW timeline AS SELECT id, railway, unit, \
        engine, at, effective, received, account, origin, kind, read_fact(id, fact) AS fact, same FROM timeline_pages; ";
    let findings = "ALTER TABLE finding RENAME TO finding_pages; CREATE VIEW finding AS SELECT id, railway, unit, class, \
        system, kind, priority, open, due, fault, onset, opened, recorded, active, occurrence, acknowledged_occurrence, \
        late, version, read_machine(id, machine) AS machine, operator, told, taken_by, waiting_until, shelved_until, \
        out_until FROM finding_pages; ";
    raising("read_fact", "timeline", "BIGINT", "2")
        + &raising("read_machine", "finding", "TEXT", "'f-2'")
        + entries
        + findings
}

fn fact(text: &str, secs: i64) -> NewEntry {
    let fact = Fact::Maintenance {
        activity: Activity::Replace,
        system: None,
        item: "injector".into(),
        channels: vec![],
        text: text.into(),
    };
    NewEntry { unit: unit("northmoor/NM-1"), engine: None, at: at(secs), fact }
}
