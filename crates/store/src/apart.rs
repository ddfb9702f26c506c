//! Rows read by their keys, apart from those that cannot be read from their pages.
//!
//! Owns that one of them costs itself alone: a statement that fails on it is put again for each half of its keys.

use crate::db::{Row, Value};
use crate::{Error, Result, Store};

impl Store {
    /// Rows of some keys, `$1` of a statement, and which keys cannot be read and why. Rows come in no order.
    pub(crate) async fn apart<K: Clone>(
        &self,
        sql: &'static str,
        keys: Vec<K>,
    ) -> Result<(Vec<Row>, Vec<(K, Error)>)>
    where
        Value: From<Vec<K>>,
    {
        let (mut rows, mut lost) = (Vec::new(), Vec::new());
        let mut groups = vec![keys];
        while let Some(mut group) = groups.pop() {
            match self.fetch(sql, vec![Value::from(group.clone())]).await {
                Ok(read) => rows.extend(read),
                Err(Error::Damaged { .. }) if group.len() > 1 => {
                    groups.push(group.split_off(group.len() / 2));
                    groups.push(group);
                }
                Err(damaged @ Error::Damaged { .. }) => lost.extend(group.pop().map(|key| (key, damaged))),
                Err(other) => return Err(other),
            }
        }
        Ok((rows, lost))
    }
}
