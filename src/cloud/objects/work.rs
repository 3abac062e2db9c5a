//! The runtime that works for all objects.

use std::io;

use tokio::runtime::{Builder, Runtime};
use tokio::task::JoinHandle;

/// The thread that works on connections, so that they go on while others decode.
pub struct Work(Runtime);

impl Work {
    /// Starts it.
    pub fn start() -> io::Result<Self> {
        Builder::new_multi_thread()
            .worker_threads(1)
            .thread_name("connections")
            .enable_all()
            .build()
            .map(Work)
    }

    /// Begins to work on what is asked.
    pub fn start_on<T: Send + 'static>(
        &self,
        asked: impl Future<Output = T> + Send + 'static,
    ) -> JoinHandle<T> {
        self.0.spawn(asked)
    }

    /// Waits for what is asked.
    pub fn run<T>(&self, asked: impl Future<Output = T>) -> T {
        self.0.block_on(asked)
    }
}
