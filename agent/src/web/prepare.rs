//! Looks through lifts and days once after the start, for what the views ask of years of them: without it the first person
//! to ask for the heaviest lifts of ten years, or what would be if, would wait while all of them are read.

use std::sync::Arc;

use tallyhook_analysis::units::Span;
use tallyhook_config::model::Config;
use tokio::sync::watch;

use super::moments::Moments;
use super::source::History;
use super::{lift_table, work};
use crate::clock::Clock;
use crate::figures::SiteFigures;

/// The first polls come first.
const AFTER: Span = Span::from_ms(2_000);

/// Prepares one mechanism after the other, until all are or `stop` turns true.
pub async fn prepare(
    config: Arc<Config>,
    history: Arc<dyn History>,
    figures: watch::Receiver<Arc<SiteFigures>>,
    clock: Clock,
    stop: watch::Receiver<bool>,
) {
    clock.sleep(AFTER).await;
    let moments = Moments::new(config.time_zone.clone());
    for (_, mechanism) in config.mechanisms() {
        if *stop.borrow() {
            return;
        }
        let now = figures.borrow().clone();
        let Some(f) = now.mechanisms.iter().find(|f| f.id == mechanism.id) else { continue };
        let mut questions = lift_table::questions(mechanism, f);
        questions.extend(work::questions(mechanism, f, |date| moments.midnight(date)));
        let (history, id) = (history.clone(), mechanism.id.clone());
        // A look that finds nothing prepared reads for itself, and says what is wrong if that fails too.
        if let Ok(Err(sentence)) = tokio::task::spawn_blocking(move || history.prepare(&id, &questions)).await {
            tracing::debug!("nothing was prepared for the page: {sentence}");
        }
    }
}
