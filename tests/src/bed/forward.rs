//! The thread that carries packets from one end of a link to the other.

use std::collections::VecDeque;
use std::io;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex};
use std::time::{Duration, Instant};

use rustix::event::{PollFd, PollFlags, Timespec, poll};
use tun_rs::SyncDevice;

use super::shaper::{Counters, Fate, LinkSpec, Shaper};

/// Packets read from one device before what is due is written.
const READS_MAX: usize = 64;
/// Packets in flight one way; more are dropped like those that find the queue full.
const PACKETS_MAX: usize = 1 << 16;
/// How long the end of a link may take to be noticed.
const NAP: Duration = Duration::from_millis(50);
/// Larger than any packet of these devices.
const PACKET_BYTES_MAX: usize = 2048;

/// What the owner of a link and its thread share. Index 0 is the way from home to site.
#[derive(Debug)]
pub(super) struct Shared {
    pub(super) ends: AtomicBool,
    /// Nothing passes before this instant.
    pub(super) closed_until: Mutex<[Option<Instant>; 2]>,
    pub(super) counters: Mutex<[Counters; 2]>,
}

struct Way {
    shaper: Shaper,
    flight: VecDeque<(Instant, Vec<u8>)>,
}

/// Carries packets until `shared.ends`. The devices, home first, are non-blocking.
pub(super) fn run(
    devices: &[SyncDevice; 2],
    spec: &LinkSpec,
    shared: &Arc<Shared>,
) -> io::Result<()> {
    let way = |direction| Way {
        shaper: Shaper::new(spec.clone(), direction),
        flight: VecDeque::new(),
    };
    let mut ways = [way(0), way(1)];
    let mut buffer = vec![0; PACKET_BYTES_MAX];
    while !shared.ends.load(Ordering::Relaxed) {
        let mut wake = Instant::now() + NAP;
        for (index, way) in ways.iter_mut().enumerate() {
            let mut now = Counters::default();
            take(&devices[index], way, &mut now, &mut buffer, || {
                shared.is_closed(index)
            })?;
            give(&devices[1 - index], way, &mut now, || {
                shared.is_closed(index)
            });
            shared.add(index, now);
            if let Some((due, _)) = way.flight.front() {
                wake = wake.min(*due);
            }
        }
        let left = wake.saturating_duration_since(Instant::now());
        let timeout = Timespec {
            tv_sec: left.as_secs() as i64,
            tv_nsec: i64::from(left.subsec_nanos()),
        };
        let mut waits = [
            PollFd::new(&devices[0], PollFlags::IN),
            PollFd::new(&devices[1], PollFlags::IN),
        ];
        match poll(&mut waits, Some(&timeout)) {
            Ok(_) | Err(rustix::io::Errno::INTR) => {}
            Err(error) => return Err(error.into()),
        }
    }
    Ok(())
}

/// Reads what has come.
fn take(
    device: &SyncDevice,
    way: &mut Way,
    counters: &mut Counters,
    buffer: &mut [u8],
    is_closed: impl Fn() -> bool,
) -> io::Result<()> {
    for _ in 0..READS_MAX {
        let size = match device.recv(buffer) {
            Ok(size) => size,
            Err(error) if error.kind() == io::ErrorKind::WouldBlock => break,
            Err(error) => return Err(error),
        };
        let packet = &buffer[..size];
        // What the kernel says about IPv6 by itself is left out.
        if packet.first().is_none_or(|byte| byte >> 4 != 4) {
            continue;
        }
        counters.packets_offered += 1;
        if is_closed() {
            counters.dropped_outage += 1;
            continue;
        }
        match way.shaper.offer(Instant::now(), size) {
            Fate::Due(due) if way.flight.len() < PACKETS_MAX => {
                way.flight.push_back((due, packet.to_vec()));
            }
            Fate::Due(_) | Fate::QueueFull => counters.dropped_queue += 1,
            Fate::Lost => counters.dropped_loss += 1,
        }
    }
    Ok(())
}

/// Writes what is due.
fn give(device: &SyncDevice, way: &mut Way, counters: &mut Counters, is_closed: impl Fn() -> bool) {
    while way
        .flight
        .front()
        .is_some_and(|(due, _)| *due <= Instant::now())
    {
        let Some((_, packet)) = way.flight.pop_front() else {
            return;
        };
        if is_closed() {
            counters.dropped_outage += 1;
        } else if device.send(&packet).is_ok() {
            counters.packets += 1;
            counters.bytes += packet.len() as u64;
        } else {
            counters.dropped_queue += 1;
        }
    }
}

impl Shared {
    fn is_closed(&self, way: usize) -> bool {
        self.closed_until.lock().unwrap()[way].is_some_and(|until| Instant::now() < until)
    }

    fn add(&self, way: usize, more: Counters) {
        if more == Counters::default() {
            return;
        }
        let mut counters = self.counters.lock().unwrap();
        let sum = &mut counters[way];
        sum.packets_offered += more.packets_offered;
        sum.packets += more.packets;
        sum.bytes += more.bytes;
        sum.dropped_queue += more.dropped_queue;
        sum.dropped_loss += more.dropped_loss;
        sum.dropped_outage += more.dropped_outage;
    }
}
