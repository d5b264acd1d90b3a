use std::time::Duration;

use super::*;
use crate::drive::fixture::{config, drive, hoist_signals};

/// A daemon on a drive that is not there, with a door to its store.
async fn daemon(
    directory: &std::path::Path,
    mut around: Surroundings,
) -> (StoreHandle, watch::Sender<bool>, tokio::task::JoinHandle<(Result<Ended, DaemonError>, Surroundings)>) {
    let mut config = config(vec![drive("d", "127.0.0.1:9", 100, 300)], vec![hoist_signals("d")]);
    config.store.directory = directory.to_owned();
    let config = Arc::new(config);
    let store = Store::open(directory).unwrap();
    let clock = Clock::system();
    let site = Site::open(config.clone(), &store, clock.now()).unwrap();
    let store = store.into_handle().unwrap();
    let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
    let setup = Setup { config, config_text: String::new(), clock, listener };
    let (stop, stopped) = watch::channel(false);
    let handle = store.clone();
    let running = tokio::spawn(async move {
        let ended = run_on(setup, site, handle, stopped, &mut around).await;
        (ended, around)
    });
    (store, stop, running)
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_writer_that_has_ended_ends_the_daemon() {
    let place = tempfile::tempdir().unwrap();
    let (store, _stop, running) = daemon(place.path(), Surroundings::default()).await;
    Clock::system().sleep(Span::from_ms(300)).await;
    assert!(!running.is_finished());
    store.close().await;
    let ended = tokio::time::timeout(Duration::from_secs(10), running).await.expect("it ends").unwrap().0;
    assert!(matches!(ended, Err(DaemonError::Store(StoreError::Closed))));
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn another_store_is_refused_and_a_good_configuration_hands_the_time_line_on() {
    let (place, other) = (tempfile::tempdir().unwrap(), tempfile::tempdir().unwrap());
    let (changes, offered) = mpsc::channel(1);
    let around = Surroundings { changes: Some(offered), ..Surroundings::default() };
    let (_store, _stop, running) = daemon(place.path(), around).await;
    let mut next = config(vec![drive("d", "127.0.0.1:9", 200, 300)], vec![hoist_signals("d")]);
    let offer = |directory: &std::path::Path| {
        next.store.directory = directory.to_owned();
        let next = Next { config: Arc::new(next.clone()), config_text: "new".to_owned(), listener: None };
        Change::Take(Box::new(next))
    };
    let mut offer = offer;
    changes.send(offer(other.path())).await.ok().unwrap();
    Clock::system().sleep(Span::from_ms(500)).await;
    assert!(!running.is_finished(), "the old one goes on");
    changes.send(offer(place.path())).await.ok().unwrap();
    let (ended, around) = tokio::time::timeout(Duration::from_secs(10), running).await.expect("it ends").unwrap();
    let Ok(Ended::Changed(next)) = ended else { panic!("it did not end for the change") };
    assert_eq!(next.config_text, "new");
    assert!(around.refused, "the run that comes next says that a configuration was taken");
    assert_eq!(around.timelines.len(), 1);
}
