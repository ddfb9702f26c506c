//! Samples beyond the horizon of judgement.

use notchwatch_model::{ChannelIx, Seq};
use notchwatch_store::{EvaluationCommit, Unjudged};

use crate::bed::{Bed, at, unit};

pub(crate) async fn samples_not_judged_come_back_in_the_order_they_were_found(bed: &Bed) {
    let store = bed.open().await;
    let (nm, sc) = (unit("northmoor/NM-1"), unit("sarel/SC-1"));
    let late = |secs: i64, channel: u16, instead: Option<f64>| Unjudged {
        time: at(secs),
        channel: ChannelIx(channel),
        instead,
    };
    let first =
        vec![late(-900, 0, None), late(-600, 1, Some(0.1 + 0.2)), late(-600, 0, Some(f64::MIN_POSITIVE))];
    let second = vec![late(-600, 1, Some(7.0))];
    for (position, unjudged) in [
        (5, vec![(nm.clone(), first.clone()), (sc.clone(), vec![late(-900, 2, None)])]),
        (9, vec![(nm.clone(), second.clone()), (sc.clone(), vec![])]),
    ] {
        let commit = EvaluationCommit { position: Seq(position), unjudged, ..EvaluationCommit::default() };
        store.commit_evaluation(commit, at(0)).await.unwrap();
    }
    let all = [first.clone(), second.clone()].concat();
    assert_eq!(store.unjudged(&nm, at(-1000), at(0)).await.unwrap(), all);
    assert_eq!(store.unjudged(&nm, at(-600), at(-599)).await.unwrap(), all[1..]);
    assert_eq!(store.unjudged(&nm, at(-1000), at(-600)).await.unwrap(), all[..1]);
    assert_eq!(store.unjudged(&sc, at(-1000), at(0)).await.unwrap(), [late(-900, 2, None)]);
    assert_eq!(store.unjudged(&unit("sarel/SC-9"), at(-1000), at(0)).await.unwrap(), []);
    store.close().await;
}
