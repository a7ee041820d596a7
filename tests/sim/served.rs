//! A simulated head behind a server in a thread of its own.

use crate::line::Line;
use spintrue_head::{Listener, Served, serve_listeners};
use spintrue_sim::open;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::thread::{self, JoinHandle};
use std::time::Duration;

pub struct Server {
    /// `HOST:PORT`.
    pub place: String,
    end: Arc<AtomicBool>,
    serving: Option<JoinHandle<Vec<String>>>,
}

impl Server {
    /// Serves the built-in head; `limit` is how long the controlling client may stay silent.
    pub fn new(limit: Duration) -> Server {
        Server::of(move || {
            let (head, gauge) = open(None, 1).unwrap();
            Served { limit, ..Served::new(Box::new(head), Some(Box::new(gauge)), false) }
        })
    }

    /// Serves a head that is made on the thread of the server.
    pub fn of(made: impl FnOnce() -> Served + Send + 'static) -> Server {
        let door = Listener::socket(([127, 0, 0, 1], 0).into()).unwrap();
        let place = door.at().unwrap().trim_start_matches("tcp://").to_string();
        let end = Arc::new(AtomicBool::new(false));
        let ends = Arc::clone(&end);
        let serving = thread::spawn(move || {
            let mut log = Vec::new();
            let mut keep = |line: &str| log.push(line.to_string());
            serve_listeners(made(), vec![door], &ends, &AtomicBool::new(false), &mut keep).unwrap();
            log
        });
        Server { place, end, serving: Some(serving) }
    }

    pub fn line(&self) -> Line {
        Line::new(&self.place)
    }

    /// A line that controls the head.
    pub fn controller(&self) -> Line {
        Line::controlling(&self.place)
    }

    /// Ends it; gives what it told.
    pub fn end(mut self) -> Vec<String> {
        self.end.store(true, Ordering::SeqCst);
        self.serving.take().unwrap().join().unwrap()
    }
}

impl Drop for Server {
    fn drop(&mut self) {
        self.end.store(true, Ordering::SeqCst);
        if let Some(serving) = self.serving.take() {
            let _ = serving.join();
        }
    }
}
