//! The simulated site on a thread of its own; the relay is another process.

use std::sync::mpsc;
use std::thread;

use forebay_site::{CameraSpec, SimulatedCamera, Site};

/// A site that runs; it ends when this is dropped.
pub(crate) struct Running {
    pub(crate) cameras: Vec<SimulatedCamera>,
    stop: Option<mpsc::Sender<()>>,
    thread: Option<thread::JoinHandle<()>>,
}

impl Running {
    pub(crate) fn start(specs: Vec<CameraSpec>) -> Self {
        let (stop, stopped) = mpsc::channel::<()>();
        let (tell, told) = mpsc::channel();
        let serve = async move {
            let site = Site::start(specs).await.unwrap();
            tell.send(site.cameras().to_vec()).unwrap();
            // Ends with an error, when the sender is dropped: that is the signal.
            let waited = tokio::task::spawn_blocking(move || stopped.recv()).await;
            assert!(waited.unwrap().is_err());
            site.stop().await;
        };
        let thread = thread::spawn(move || {
            let runtime = tokio::runtime::Builder::new_current_thread()
                .enable_all()
                .build()
                .unwrap();
            runtime.block_on(serve);
        });
        Self {
            cameras: told.recv().expect("the site starts"),
            stop: Some(stop),
            thread: Some(thread),
        }
    }
}

impl Drop for Running {
    fn drop(&mut self) {
        drop(self.stop.take());
        if let Some(thread) = self.thread.take() {
            thread.join().ok();
        }
    }
}
