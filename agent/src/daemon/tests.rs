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

/// Runs a daemon that proves every ledger beside its first polls, and asks it to stop after a while.
async fn run_a_while(directory: &std::path::Path, around: &mut Surroundings) -> Result<Ended, DaemonError> {
    run_a_while_by(Clock::system(), directory, around).await
}

async fn run_a_while_by(
    clock: Clock,
    directory: &std::path::Path,
    around: &mut Surroundings,
) -> Result<Ended, DaemonError> {
    let mut config = config(vec![drive("d", "127.0.0.1:9", 100, 300)], vec![hoist_signals("d")]);
    config.store.directory = directory.to_owned();
    let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
    let setup = Setup { config: Arc::new(config), config_text: String::new(), clock: clock.clone(), listener };
    let (stop, stopped) = watch::channel(false);
    let running = run_watched(setup, stopped, around);
    let (ended, ()) = tokio::join!(running, async {
        Clock::system().sleep(Span::from_ms(700)).await;
        // It may have ended by itself.
        let _ = stop.send(true);
    });
    ended
}

/// By a clock so fast that many ticks pass before the ledger has been proved.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_ledger_that_takes_longer_to_prove_than_a_tick_is_waited_for() {
    use crate::store::sealed_tests::{config as site, proof, work};
    let place = tempfile::tempdir().unwrap();
    let mut store = Store::open(place.path()).unwrap();
    work(&mut store, &site(""), 0..12);
    drop(store);
    let mut around = Surroundings { prove_later_from: Some(0), ..Surroundings::default() };
    let ended = run_a_while_by(Clock::system_at_speed(10_000.0), place.path(), &mut around).await;
    assert!(matches!(ended, Ok(Ended::Stopped)), "{:?}", ended.err());
    assert!(proof(place.path()).ok);
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_ledger_found_damaged_beside_the_polls_is_left_as_it_is_and_replaced_by_the_next_run() {
    use crate::store::sealed_tests::{config as site, proof, work};
    let place = tempfile::tempdir().unwrap();
    let ledger = crate::store::ledger_path(place.path());
    let mut store = Store::open(place.path()).unwrap();
    work(&mut store, &site(""), 0..4);
    drop(store);
    let mut around = Surroundings { prove_later_from: Some(0), ..Surroundings::default() };
    assert!(matches!(run_a_while(place.path(), &mut around).await, Ok(Ended::Stopped)), "a sound one");

    let now = Clock::system().now().wall;
    crate::store::backup::make(place.path(), &place.path().join("backup"), 3, now).unwrap();
    // The root of an index that no start reads: only the proof finds it.
    let connection = rusqlite::Connection::open(&ledger).unwrap();
    let (root, size) = connection
        .query_row(
            "SELECT rootpage, (SELECT page_size FROM pragma_page_size) FROM sqlite_schema WHERE name = 'lift_by_day'",
            [],
            |row| Ok((row.get::<_, u32>(0)? as usize, row.get::<_, u32>(1)? as usize)),
        )
        .unwrap();
    drop(connection);
    let mut bytes = std::fs::read(&ledger).unwrap();
    bytes[(root - 1) * size..root * size].fill(0xa5);
    std::fs::write(&ledger, &bytes).unwrap();

    let ended = run_a_while(place.path(), &mut around).await;
    assert!(matches!(ended, Ok(Ended::Damaged(_))), "{:?}", ended.err());
    assert_eq!(std::fs::read(&ledger).unwrap(), bytes, "nothing was written to it");
    assert!(matches!(run_a_while(place.path(), &mut around).await, Ok(Ended::Stopped)));
    let aside = std::fs::read_dir(place.path()).unwrap().map(|file| file.unwrap().path());
    let aside = aside.into_iter().find(|path| path.file_name().unwrap().to_string_lossy().starts_with("damaged-"));
    assert_eq!(std::fs::read(aside.expect("it is put aside")).unwrap(), bytes);
    assert!(proof(place.path()).ok);
}
