//! A thread of its own for intake: whatever plugins, disks and viewers do to the other threads,
//! the cameras' sockets are read. One is enough: 64 cameras at 4 Mb/s take a few percent of it,
//! and tasks that never change threads cost no wake-ups between them.

use tokio::runtime::{Builder, Handle};
use tokio::sync::oneshot;

/// Runs tasks until it is dropped.
#[derive(Debug)]
pub(super) struct IntakeThread {
    handle: Handle,
    /// Dropped, it ends the thread.
    _end: oneshot::Sender<()>,
}

impl IntakeThread {
    pub(super) fn start() -> std::io::Result<Self> {
        let runtime = Builder::new_current_thread().enable_all().build()?;
        let handle = runtime.handle().clone();
        let (end, ended) = oneshot::channel::<()>();
        std::thread::Builder::new()
            .name("intake".to_owned())
            .spawn(move || {
                // Nothing is ever sent: the sender's end is the message.
                drop(runtime.block_on(ended));
            })?;
        Ok(Self { handle, _end: end })
    }

    pub(super) fn handle(&self) -> &Handle {
        &self.handle
    }
}
