//! The page's thread. To draw ten years takes longer than a poll may wait, so the page shares nothing with the polling
//! but the figures that it is handed.

use tokio::net::TcpListener;
use tokio::runtime::Builder;
use tokio::sync::{oneshot, watch};

use crate::web::{self, WebState};

/// Serves the page on a thread of its own until `stop` turns true or the thread fails.
pub async fn serve(listener: TcpListener, state: WebState, stop: watch::Receiver<bool>) {
    let (sender, ended) = oneshot::channel();
    let thread = std::thread::Builder::new().name("page".to_owned()).spawn(move || {
        // Nobody listens where the daemon's loop is gone.
        let _ = sender.send(serve_here(listener, state, stop));
    });
    let failed = match thread {
        Ok(_) => match ended.await {
            Ok(served) => served.err().map(|error| error.to_string()),
            Err(_) => Some("its thread broke off".to_owned()),
        },
        Err(error) => Some(error.to_string()),
    };
    if let Some(why) = failed {
        tracing::error!("the page cannot be served: {why}");
    }
}

fn serve_here(listener: TcpListener, state: WebState, stop: watch::Receiver<bool>) -> std::io::Result<()> {
    let runtime = Builder::new_current_thread().enable_all().build()?;
    let served =
        runtime.block_on(async { web::serve(TcpListener::from_std(listener.into_std()?)?, state, stop).await });
    // A query that still runs must not hold the daemon's end.
    runtime.shutdown_background();
    served
}
