//! Media that waits for one viewer.

use std::collections::VecDeque;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

use bytes::Bytes;
use tokio::sync::Notify;

use crate::encode::ParameterSets;

/// A coded picture with its SEI messages.
#[derive(Debug)]
pub(crate) struct Unit {
    pub(crate) number: u64,
    pub(crate) capture_ns: i64,
    /// Capture time since the camera was started.
    pub(crate) media_ns: u64,
    pub(crate) key: bool,
    pub(crate) parameters: Arc<ParameterSets>,
    /// Without parameter sets.
    pub(crate) nals: Vec<Bytes>,
    pub(crate) fingerprint: u64,
}

impl Unit {
    pub(crate) fn bytes(&self) -> usize {
        self.nals.iter().map(Bytes::len).sum()
    }
}

#[derive(Debug, Clone)]
pub(crate) enum Item {
    Video(Arc<Unit>),
    Audio { number: u64, media_ns: u64 },
}

/// A queue bounded in bytes that drops up to the next key frame when it is full.
#[derive(Debug)]
pub(crate) struct Outbox {
    queue: Mutex<Queue>,
    ready: Notify,
    bytes_max: usize,
}

#[derive(Debug)]
struct Queue {
    items: VecDeque<Item>,
    bytes: usize,
    /// What comes before the next key frame is of no use to the viewer.
    awaits_key: bool,
    dropped: u64,
}

impl Outbox {
    pub(crate) fn new(bytes_max: usize) -> Self {
        let queue = Queue {
            items: VecDeque::new(),
            bytes: 0,
            awaits_key: true,
            dropped: 0,
        };
        Self {
            queue: Mutex::new(queue),
            ready: Notify::new(),
            bytes_max,
        }
    }

    fn queue(&self) -> MutexGuard<'_, Queue> {
        self.queue.lock().unwrap_or_else(PoisonError::into_inner)
    }

    pub(crate) fn push(&self, item: &Item, has_video: bool) {
        let size = cost(item);
        let mut queue = self.queue();
        let full = !queue.items.is_empty() && queue.bytes + size > self.bytes_max;
        match item {
            Item::Video(unit) if full || queue.awaits_key && !unit.key => {
                // Before the first key frame nothing is dropped: it has not begun.
                if full || queue.dropped > 0 {
                    queue.dropped += 1;
                }
                queue.awaits_key = true;
                return;
            }
            Item::Audio { .. } if full || has_video && queue.awaits_key => return,
            Item::Video(_) => queue.awaits_key = false,
            Item::Audio { .. } => {}
        }
        queue.bytes += size;
        queue.items.push_back(item.clone());
        drop(queue);
        self.ready.notify_one();
    }

    /// The next item, as soon as there is one. Loses none when cancelled.
    pub(crate) async fn next(&self) -> Item {
        loop {
            {
                let mut queue = self.queue();
                if let Some(item) = queue.items.pop_front() {
                    queue.bytes = queue.bytes.saturating_sub(cost(&item));
                    return item;
                }
            }
            self.ready.notified().await;
        }
    }

    /// Video units dropped because the viewer was too slow.
    pub(crate) fn dropped(&self) -> u64 {
        self.queue().dropped
    }

    /// Forgets what waits; the next viewer's first unit is a key frame.
    pub(crate) fn clear(&self) {
        let mut queue = self.queue();
        queue.items.clear();
        queue.bytes = 0;
        queue.awaits_key = true;
    }
}

fn cost(item: &Item) -> usize {
    match item {
        Item::Video(unit) => unit.bytes(),
        Item::Audio { .. } => crate::audio::SAMPLES,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn unit(number: u64, bytes: usize) -> Item {
        let empty = ParameterSets {
            sps: Bytes::new(),
            pps: Bytes::new(),
            width: 0,
            height: 0,
        };
        Item::Video(Arc::new(Unit {
            number,
            capture_ns: 0,
            media_ns: 0,
            key: number.is_multiple_of(4),
            parameters: Arc::new(empty),
            nals: vec![vec![0; bytes].into()],
            fingerprint: 0,
        }))
    }

    #[tokio::test]
    async fn whole_gops_are_dropped() {
        let outbox = Outbox::new(50);
        for number in 1..13 {
            outbox.push(&unit(number, 10), true);
        }
        // 4 to 8 fit; 9 to 11 are dropped, 12 is a key frame but there is no room yet.
        assert_eq!(outbox.dropped(), 4);
        let mut seen = Vec::new();
        for _ in 0..5 {
            let Item::Video(unit) = outbox.next().await else {
                panic!()
            };
            seen.push(unit.number);
        }
        for number in 13..18 {
            outbox.push(&unit(number, 10), true);
        }
        for _ in 0..2 {
            let Item::Video(unit) = outbox.next().await else {
                panic!()
            };
            seen.push(unit.number);
        }
        assert_eq!(seen, [4, 5, 6, 7, 8, 16, 17]);
        assert_eq!(outbox.dropped(), 7);
    }

    #[tokio::test]
    async fn one_unit_beyond_the_bound_still_passes() {
        let outbox = Outbox::new(5);
        outbox.push(&unit(0, 1000), true);
        outbox.push(&unit(1, 1), true);
        assert!(matches!(outbox.next().await, Item::Video(_)));
        assert_eq!(outbox.dropped(), 1);
    }
}
