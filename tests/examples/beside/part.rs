//! One store: 28 days of a unit sealed, a day of a fleet open, then commits alone, beside sealing, and reads beside them.

use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::{Duration, Instant};

use notchwatch_model::{AccountName, ChannelIx, Span, Time, UnitKey};
use notchwatch_store::{NewMessage, Options, Store};

use crate::Failure;
use crate::feed::Sent;

/// Messages a commit, and time between two.
const BATCH: usize = 67;
const EVERY: Duration = Duration::from_millis(20);
/// Messages a commit while the store is filled.
const FILL: usize = 4_096;
/// Reads of each kind.
const READS: u16 = 500;
/// Channels of the class.
const CHANNELS: u16 = 45;

/// Fills a store and measures.
pub(crate) async fn run(
    name: &str,
    url: &str,
    history: &Sent,
    fleet: &Sent,
    seconds: u64,
) -> Result<(), Failure> {
    let store = Store::open(&Options { url: url.to_owned(), readers: 4 }).await?;
    store.put_register(&fleet.register, &AccountName::new("setup")?, Time::EPOCH).await?;
    let keep = Span::from_days(35);
    for messages in &history.days {
        fill(&store, messages).await?;
        let newest = messages.last().map_or(Time::EPOCH, |m| m.envelope.received);
        store.seal(newest + Span::from_hours(3), keep).await?;
    }
    let unit = unit_of(history)?;
    let end = newest(history) + Span::from_hours(3);
    reads(name, "alone", &store, &unit, end).await?;
    // A day of the fleet, which is closed; what the feed sends is of the day after the end.
    let day: Vec<NewMessage> = fleet.days.iter().flatten().cloned().collect();
    fill(&store, &day).await?;
    let shift = Span::from_days(end.day() + 1 - day.first().map_or(0, |m| m.envelope.received.day()));
    let feed: Vec<NewMessage> = day.iter().map(|m| moved(m, shift)).collect();

    let feeding = Feeding::start(&store, feed.clone());
    tokio::time::sleep(Duration::from_secs(seconds)).await;
    line(name, "a commit, nothing beside it", feeding.stop().await?);
    let feeding = Feeding::start(&store, feed.clone());
    let begun = Instant::now();
    let report = store.seal(end, keep).await?;
    let took = begun.elapsed();
    line(name, "a commit while days are sealed", feeding.stop().await?);
    let feeding = Feeding::start(&store, feed);
    reads(name, "beside the feed", &store, &unit, end).await?;
    line(name, "a commit while somebody reads", feeding.stop().await?);
    println!(
        "| {name} | sealing {} unit-days, {} samples | 1 | {} | | |",
        report.blocks,
        report.samples,
        took.as_millis()
    );
    store.close().await;
    Ok(())
}

async fn fill(store: &Store, messages: &[NewMessage]) -> Result<(), Failure> {
    for batch in messages.chunks(FILL) {
        store.append(batch).await?;
    }
    Ok(())
}

fn unit_of(sent: &Sent) -> Result<UnitKey, Failure> {
    let (unit, ..) = sent.samples.keys().next().ok_or("the feed sent nothing")?;
    Ok(unit.clone())
}

fn newest(sent: &Sent) -> Time {
    sent.days.iter().flatten().map(|m| m.envelope.received).max().unwrap_or(Time::EPOCH)
}

/// The same message some days later.
fn moved(message: &NewMessage, by: Span) -> NewMessage {
    let mut message = message.clone();
    message.envelope.received = message.envelope.received + by;
    for sample in &mut message.decoded.samples {
        sample.time = sample.time + by;
    }
    message
}

/// A channel over 28 days, and its samples of one day, both of one unit.
async fn reads(name: &str, beside: &str, store: &Store, unit: &UnitKey, end: Time) -> Result<(), Failure> {
    let (mut long, mut day) = (Vec::new(), Vec::new());
    for at in 0..READS {
        let channel = ChannelIx(at % CHANNELS);
        let begun = Instant::now();
        let half_hour = Span::from_mins(30);
        let found = store.rollup(unit, channel, end - Span::from_days(28), end, half_hour).await?;
        long.push(begun.elapsed());
        let from = end - Span::from_days(2 + i64::from(at % 20));
        let begun = Instant::now();
        let samples = store.channel_samples(unit, channel, from, from + Span::from_days(1)).await?;
        day.push(begun.elapsed());
        if found.len() < 600 || samples.len() < 600 {
            return Err(format!("{} buckets and {} samples were read", found.len(), samples.len()).into());
        }
    }
    line(name, &format!("read 28 days of a channel, half hours, {beside}"), long);
    line(name, &format!("read a day of a channel, all samples, {beside}"), day);
    Ok(())
}

/// A task that commits at a steady pace.
struct Feeding {
    stop: Arc<AtomicBool>,
    task: tokio::task::JoinHandle<Result<Vec<Duration>, Failure>>,
}

impl Feeding {
    fn start(store: &Store, messages: Vec<NewMessage>) -> Self {
        let (store, stop) = (store.clone(), Arc::new(AtomicBool::new(false)));
        let ended = stop.clone();
        let work = async move {
            let mut took = Vec::new();
            let mut pace = tokio::time::interval(EVERY);
            for batch in messages.chunks(BATCH).cycle() {
                pace.tick().await;
                let begun = Instant::now();
                store.append(batch).await?;
                took.push(begun.elapsed());
                if ended.load(Ordering::Relaxed) {
                    break;
                }
            }
            Ok(took)
        };
        #[expect(clippy::disallowed_methods, reason = "the example waits for it")]
        let task = tokio::spawn(work);
        Self { stop, task }
    }

    async fn stop(self) -> Result<Vec<Duration>, Failure> {
        self.stop.store(true, Ordering::Relaxed);
        self.task.await?
    }
}

fn line(name: &str, what: &str, mut took: Vec<Duration>) {
    took.sort_unstable();
    let at = |share: usize| {
        let place = (took.len() * share / 100).min(took.len().saturating_sub(1));
        took.get(place).map_or(f64::NAN, |t| t.as_secs_f64() * 1e3)
    };
    println!("| {name} | {what} | {} | {:.1} | {:.1} | {:.1} |", took.len(), at(50), at(99), at(100));
}
