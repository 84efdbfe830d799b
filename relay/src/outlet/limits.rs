//! The bounds of what others may ask for, all in one place.

use std::time::Duration;

/// Connections at a time.
pub(super) const CONNECTIONS_MAX: usize = 512;
/// Films that are sent at a time, over all cameras.
pub(super) const VIEWERS_MAX: usize = 256;
/// Streams of events at a time.
pub(super) const LISTENERS_MAX: usize = 64;
/// The head of a request: its line and its fields, in bytes and in number.
pub(super) const HEAD_BYTES_MAX: usize = 16 << 10;
pub(super) const FIELDS_MAX: usize = 64;
/// How long the head of a request may take, and a connection wait for its next one.
pub(super) const HEAD_TIME: Duration = Duration::from_secs(15);
/// What a connection may hold that its client has not taken: in this process, and in the kernel
/// (which takes twice of it).
pub(super) const BUFFER_BYTES: usize = 64 << 10;
pub(super) const SOCKET_BYTES: usize = 512 << 10;
/// How long an answer may take to begin.
pub(super) const ANSWER_TIME: Duration = Duration::from_secs(30);
/// How long a client may take nothing of what is sent to it.
pub(super) const STALL_TIME: Duration = Duration::from_secs(20);
/// What a client must take of what has an end, on the whole: so many bytes a second, after so long.
pub(super) const RATE_MIN: u64 = 8 << 10;
pub(super) const RATE_TIME: Duration = Duration::from_secs(30);

/// Jobs that read the archive or code a picture: at a time, and waiting.
pub(super) const JOBS_MAX: usize = 2;
pub(super) const JOBS_WAITING_MAX: usize = 64;

/// The longest stretch of time that can be asked for at once.
pub(super) const FOOTAGE_NANOS_MAX: i64 = 24 * 3600 * 1_000_000_000;
pub(super) const FINDINGS_NANOS_MAX: i64 = 32 * 24 * 3600 * 1_000_000_000;
pub(super) const STILLS_NANOS_MAX: i64 = 32 * 24 * 3600 * 1_000_000_000;
pub(super) const COVERAGE_NANOS_MAX: i64 = 400 * 24 * 3600 * 1_000_000_000;

/// Stills in one list; and the length of one.
pub(super) const STILLS_MAX: usize = 5_000;
pub(super) const STILL_BYTES_MAX: u64 = 32 << 20;
