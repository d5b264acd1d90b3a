//! What runs, polled in one order on one thread: the same seed gives the same run.

use std::future::Future;
use std::pin::Pin;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::task::{Context, Wake, Waker};

struct Woken(AtomicBool);

impl Wake for Woken {
    fn wake(self: Arc<Self>) {
        self.0.store(true, Ordering::SeqCst);
    }
}

type Task = Pin<Box<dyn Future<Output = ()>>>;

/// Tasks that never end by themselves.
#[derive(Default)]
pub struct Tasks {
    tasks: Vec<(Task, Arc<Woken>)>,
    /// Some of them have been asked to.
    asked: bool,
}

impl Tasks {
    pub fn spawn(&mut self, task: impl Future<Output = ()> + 'static) {
        self.tasks.push((Box::pin(task), Arc::new(Woken(AtomicBool::new(true)))));
    }

    /// As [`Tasks::run_until_stalled`], after some of them were asked to end.
    pub fn run_to_their_end(&mut self) {
        self.asked = true;
        self.run_until_stalled();
        self.asked = false;
    }

    /// Until nobody has anything to do before time goes on.
    pub fn run_until_stalled(&mut self) {
        loop {
            let mut any = false;
            self.tasks.retain_mut(|(task, woken)| {
                if !woken.0.swap(false, Ordering::SeqCst) {
                    return true;
                }
                any = true;
                let waker = Waker::from(woken.clone());
                let ended = task.as_mut().poll(&mut Context::from_waker(&waker)).is_ready();
                assert!(!ended || self.asked, "a part of the daemon ended unasked");
                !ended
            });
            if !any {
                return;
            }
        }
    }
}
