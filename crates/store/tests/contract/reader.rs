//! Another program: `deploy/reader.py` knows the documented format alone and has to read what the store reads.

use std::collections::BTreeSet;
use std::process::Command;

use notchwatch_model::{ChannelIx, Sample, Seq, Span, TextSample, Time, Uom, UomUse};
use notchwatch_store::Store;

use crate::bed::{Bed, at, message, sample, unit};

const DAY: i64 = 86_400;
const UNITS: [(&str, i64); 2] = [("northmoor/NM-1", 1), ("sarel/SC-1", 3)];
const KEEP: Span = Span::from_days(7);

/// Folder with the reader's packages: where it is set they have to be there.
#[expect(clippy::disallowed_methods, reason = "a setting of the suite")]
fn packages() -> Option<String> {
    std::env::var("NOTCHWATCH_TEST_PYTHONPATH").ok().filter(|path| !path.is_empty())
}

fn python(packages: Option<&str>) -> Command {
    let mut python = Command::new("python3");
    if let Some(packages) = packages {
        python.env("PYTHONPATH", packages);
    }
    python
}

/// Lines that the reader prints.
fn told(path: &str, what: &str) -> BTreeSet<String> {
    let script = concat!(env!("CARGO_MANIFEST_DIR"), "/../../deploy/reader.py");
    let output = python(packages().as_deref()).args([script, path, what]).output().unwrap();
    assert!(output.status.success(), "{what}: {}", String::from_utf8_lossy(&output.stderr));
    String::from_utf8(output.stdout).unwrap().lines().map(str::to_owned).collect()
}

/// Values of every form that a column takes, gaps, repeats, contradictions, texts, marks, a late part.
async fn fill(store: &Store) {
    let mut batch = Vec::new();
    for (name, number) in UNITS {
        for part in 0..36 {
            let begin = -2 * DAY + part * 3_600;
            let line = (0..60).flat_map(|i| {
                let small = i32::try_from((part * 7 + i) % 90).unwrap();
                let of_day = sample(begin + i * 60, 0, f64::from(small) / 10.0 - 3.0);
                let root =
                    sample(begin + i * 60, 1, f64::from(small * i32::try_from(number).unwrap()).sqrt());
                let large = (part % 3 == 0).then(|| sample(begin + i * 60, 2, 5e9 + f64::from(small)));
                [Some(of_day), Some(root), large].into_iter().flatten()
            });
            let mut one = message(name, begin + 3_700, line.collect::<Vec<Sample>>());
            one.envelope.retained = part % 5 == 0;
            one.decoded.approximate = part % 7 == 0;
            if part % 11 == 0 {
                one.decoded.uoms = vec![UomUse { channel: ChannelIx(1), sent: Uom::parse("psi").unwrap() }];
                let text =
                    TextSample { time: at(begin), channel: ChannelIx(3), text: format!("öl \"{part}\"") };
                one.decoded.texts = vec![text];
            }
            batch.push(one);
        }
        batch.push(message(
            name,
            10,
            vec![sample(-DAY, 0, -0.0), sample(-DAY, 0, 0.0), sample(-DAY, 1, 99.5)],
        ));
    }
    store.append(&batch).await.unwrap();
    store.seal(at(0), KEEP).await.unwrap();
    store.append(&[message("sarel/SC-1", 20, vec![sample(-DAY + 7, 2, 1.25)])]).await.unwrap();
    assert_eq!(store.seal(at(10), KEEP).await.unwrap().blocks, 1);
}

#[expect(clippy::print_stderr, reason = "a case that did not run has to say so")]
pub(crate) async fn another_program_reads_the_same(bed: &Bed) {
    let imports = "import numpy, pcodec, zstandard";
    let there =
        python(packages().as_deref()).args(["-c", imports]).output().is_ok_and(|o| o.status.success());
    if !there {
        assert_eq!(packages(), None, "the reader's packages are not where NOTCHWATCH_TEST_PYTHONPATH says");
        eprintln!("skipped: python3 lacks numpy, pcodec or zstandard (tests/run.sh installs them)");
        return;
    }
    let store = bed.open().await;
    fill(&store).await;
    let (from, to) = (at(-4 * DAY), at(-DAY / 2));
    let (mut samples, mut rollups, mut texts) = (BTreeSet::new(), BTreeSet::new(), BTreeSet::new());
    let bits = |v: f64| format!("{:016x}", v.to_bits());
    for (name, number) in UNITS {
        for s in store.unit_samples(&unit(name), from, to, None).await.unwrap() {
            samples.insert(format!("{number} {} {} {}", s.channel.0, s.time.micros(), bits(s.value)));
        }
        for channel in 0..3 {
            let half_hour = Span::from_mins(30);
            for b in store.rollup(&unit(name), ChannelIx(channel), from, to, half_hour).await.unwrap() {
                let numbers = [b.min, b.mean, b.max, b.last].map(bits).join(" ");
                rollups.insert(format!("{number} {channel} {} {} {numbers}", b.from.micros(), b.count));
            }
        }
        for text in store.unit_texts(&unit(name), from, to, None).await.unwrap() {
            let quoted = text.text.replace('ö', "\\u00f6").replace('"', "\\\"");
            texts.insert(format!("{number} {} {} \"{quoted}\"", text.channel.0, text.time.micros()));
        }
    }
    let journal = store.journal_after(Seq(0), 1_000).await.unwrap().items;
    store.close().await;
    assert_eq!(samples.len(), 2 * (36 * 60 * 2 + 12 * 60) + 1);
    let path = bed.url.trim_start_matches("sqlite:");
    same(&told(path, "samples"), &samples);
    same(&told(path, "rollups"), &rollups);
    same(&told(path, "texts"), &texts);
    let messages = journal.iter().map(|m| {
        let number = UNITS.iter().find(|(name, _)| unit(name) == m.unit).map(|(_, number)| *number);
        let flags = u8::from(m.retained) + 2 * u8::from(m.approximate);
        format!("{} {} {} {flags}", number.unwrap(), m.seq.0, Time::micros(m.received))
    });
    same(&told(path, "messages"), &messages.collect());
}

/// Compares, and shows some lines of a difference instead of thousands.
fn same(theirs: &BTreeSet<String>, ours: &BTreeSet<String>) {
    let lacking: Vec<_> = ours.difference(theirs).take(3).collect();
    let more: Vec<_> = theirs.difference(ours).take(3).collect();
    assert!(lacking.is_empty() && more.is_empty(), "lacking {lacking:?}, more {more:?}");
    assert!(!ours.is_empty());
}
