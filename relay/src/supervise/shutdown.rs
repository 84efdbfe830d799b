//! One request to stop, seen by all tasks.

use tokio::sync::watch;

/// Asks everything that holds a [`Shutdown`] to end. Dropping it asks too.
#[derive(Debug)]
pub struct Trigger(watch::Sender<bool>);

/// Tells when to end. Cheap to clone.
#[derive(Debug, Clone)]
pub struct Shutdown(watch::Receiver<bool>);

/// A trigger and what it triggers.
#[must_use]
pub fn shutdown() -> (Trigger, Shutdown) {
    let (sender, receiver) = watch::channel(false);
    (Trigger(sender), Shutdown(receiver))
}

impl Trigger {
    /// Asks to end. Further calls change nothing.
    pub fn pull(&self) {
        self.0.send_replace(true);
    }
}

impl Shutdown {
    /// Waits until asked to end. Cancel-safe.
    pub async fn requested(&mut self) {
        // A dropped trigger means that nobody is left to run for.
        let waited = self.0.wait_for(|pulled| *pulled).await;
        drop(waited);
    }

    /// Whether asked to end.
    #[must_use]
    pub fn is_requested(&self) -> bool {
        *self.0.borrow()
    }
}
