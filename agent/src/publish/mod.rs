//! Telling others what has been stored: broker, chat, time-series server.
