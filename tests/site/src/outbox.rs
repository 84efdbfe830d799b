//! Media that waits for one viewer.

use std::collections::VecDeque;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

use bytes::Bytes;
use tokio::sync::Notify;

use crate::encode::ParameterSets;
use crate::spec::WhenFull;

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

/// A queue bounded in bytes.
#[derive(Debug)]
pub(crate) struct Outbox {
    queue: Mutex<Queue>,
    ready: Notify,
    overflow: Notify,
    bytes_max: usize,
    when_full: WhenFull,
}

#[derive(Debug)]
struct Queue {
    items: VecDeque<Item>,
    bytes: usize,
    /// What comes before the next key frame is of no use to the viewer.
    awaits_key: bool,
    dropped: u64,
}

/// What became of an item.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Pushed {
    Kept,
    /// The viewer's stream has not begun, or it is sound.
    Skipped,
    Dropped,
}

impl Outbox {
    pub(crate) fn new(bytes_max: usize, when_full: WhenFull) -> Self {
        let queue = Queue {
            items: VecDeque::new(),
            bytes: 0,
            awaits_key: true,
            dropped: 0,
        };
        Self {
            queue: Mutex::new(queue),
            ready: Notify::new(),
            overflow: Notify::new(),
            bytes_max,
            when_full,
        }
    }

    fn queue(&self) -> MutexGuard<'_, Queue> {
        self.queue.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Whether there is no room for this item.
    pub(crate) fn is_full_for(&self, item: &Item) -> bool {
        self.queue().is_full_for(item, self.bytes_max)
    }

    /// `refused`: there is no room, whatever the queue says.
    pub(crate) fn push(&self, item: &Item, has_video: bool, refused: bool) -> Pushed {
        let mut queue = self.queue();
        let full = refused || queue.is_full_for(item, self.bytes_max);
        match item {
            Item::Video(unit) if full || queue.awaits_key && !unit.key => {
                if full && self.when_full == WhenFull::Close {
                    self.overflow.notify_one();
                }
                // Before the first key frame nothing is dropped: it has not begun.
                let begun = !queue.awaits_key || queue.dropped > 0;
                if !(full && begun && self.when_full == WhenFull::DropFrames) {
                    queue.awaits_key = true;
                }
                if full || begun {
                    queue.dropped += 1;
                    return Pushed::Dropped;
                }
                return Pushed::Skipped;
            }
            Item::Audio { .. } if full || has_video && queue.awaits_key => return Pushed::Skipped,
            Item::Video(_) => queue.awaits_key = false,
            Item::Audio { .. } => {}
        }
        queue.bytes += cost(item);
        queue.items.push_back(item.clone());
        drop(queue);
        self.ready.notify_one();
        Pushed::Kept
    }

    /// Returns when an item found no room and the connection is to be closed for it.
    pub(crate) async fn overflow(&self) {
        self.overflow.notified().await;
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

    /// Gives up what waits; the viewer's next unit is a key frame.
    pub(crate) fn clear(&self) -> VecDeque<Item> {
        let mut queue = self.queue();
        queue.bytes = 0;
        queue.awaits_key = true;
        std::mem::take(&mut queue.items)
    }
}

impl Queue {
    fn is_full_for(&self, item: &Item, bytes_max: usize) -> bool {
        !self.items.is_empty() && self.bytes + cost(item) > bytes_max
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
        let outbox = Outbox::new(50, WhenFull::DropGroups);
        for number in 1..13 {
            outbox.push(&unit(number, 10), true, false);
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
            outbox.push(&unit(number, 10), true, false);
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
        let outbox = Outbox::new(5, WhenFull::DropGroups);
        outbox.push(&unit(0, 1000), true, false);
        outbox.push(&unit(1, 1), true, false);
        assert!(matches!(outbox.next().await, Item::Video(_)));
        assert_eq!(outbox.dropped(), 1);
    }

    #[tokio::test]
    async fn single_frames_are_dropped() {
        let outbox = Outbox::new(30, WhenFull::DropFrames);
        for number in 0..6 {
            outbox.push(&unit(number, 10), true, false);
        }
        outbox.next().await;
        assert_eq!(outbox.push(&unit(6, 10), true, false), Pushed::Kept);
        let left: Vec<u64> = outbox
            .clear()
            .iter()
            .map(|item| match item {
                Item::Video(unit) => unit.number,
                Item::Audio { .. } => panic!(),
            })
            .collect();
        assert_eq!((left, outbox.dropped()), (vec![1, 2, 6], 3));
    }

    #[tokio::test]
    async fn an_overflow_is_told() {
        let outbox = Outbox::new(30, WhenFull::Close);
        let told = || tokio::time::timeout(std::time::Duration::ZERO, outbox.overflow());
        for number in 0..3 {
            outbox.push(&unit(number, 10), true, false);
        }
        assert!(told().await.is_err());
        assert_eq!(outbox.push(&unit(3, 10), true, false), Pushed::Dropped);
        assert!(told().await.is_ok());
    }
}
