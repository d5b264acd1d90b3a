//! The way to the broker: who we are, how the connection is secured, and what mends one that does not come about.

use std::sync::Arc;

use rumqttc::{
    ConnectReturnCode, ConnectionError, Event, EventLoop, MqttOptions, Packet, Publish, StateError, TlsConfiguration,
    Transport, mqttbytes,
};
use tallyhook_config::model::Mqtt;
use tokio::sync::mpsc;
use tokio::sync::mpsc::error::TrySendError;
use tracing::warn;

use super::super::http::Why;
use super::super::{secret, tls};
use super::{IN_FLIGHT, LARGEST_PACKET};

/// The table of the configuration that the broker stands in.
const HEADER: &str = "[mqtt]";

/// Why there is no connection.
#[derive(Debug)]
pub struct Lost {
    /// What went wrong, and its mend.
    pub why: Why,
    /// It will not pass by itself: a person has to mend something first.
    pub needs_person: bool,
    /// What came in could not be read, or was too large to be.
    pub malformed: bool,
    /// The broker ended it: what it was sent last may have displeased it.
    pub hung_up: bool,
}

impl Lost {
    /// What may pass by itself.
    pub fn passing(what: impl Into<String>, mend: impl Into<String>) -> Self {
        Lost { why: Why::new(what, mend), needs_person: false, malformed: false, hung_up: false }
    }

    fn standing(what: impl Into<String>, mend: impl Into<String>) -> Self {
        Self::person(Why::new(what, mend))
    }

    const fn person(why: Why) -> Self {
        Lost { why, needs_person: true, malformed: false, hung_up: false }
    }
}

/// Signs that wait for the session: one beyond them that somebody else has published is left out. So whoever floods what
/// we have subscribed to fills no memory, and does not hold up the connection either.
pub const SIGNS: usize = 32;

/// What a connection's task tells.
pub enum Sign {
    /// The broker has let us in.
    Connected,
    /// Something was published under a topic that we have subscribed to.
    Came(Publish),
    /// The connection is over.
    Lost(Lost),
}

/// Keeps one connection going, on a task of its own so that nothing ever cuts it short in mid-packet.
pub async fn drive(mut eventloop: EventLoop, signs: mpsc::Sender<Sign>) {
    let mut flooded = false;
    loop {
        match eventloop.poll().await {
            Ok(Event::Incoming(Packet::ConnAck(_))) => {
                if signs.send(Sign::Connected).await.is_err() {
                    return;
                }
            }
            Ok(Event::Incoming(Packet::Publish(came))) => match signs.try_send(Sign::Came(came)) {
                Ok(()) => {}
                Err(TrySendError::Closed(_)) => return,
                Err(TrySendError::Full(_)) if flooded => {}
                Err(TrySendError::Full(_)) => {
                    flooded = true;
                    warn!("the broker sends more than can be read; of this connection some of it is left out");
                }
            },
            Ok(_) => {}
            Err(error) => {
                // No one listens any more when the session is over.
                let _ = signs.send(Sign::Lost(lost(&error))).await;
                return;
            }
        }
    }
}

/// The options of a connection as `client_id`. Files are read for each connection: a changed password or certificate
/// needs no restart.
///
/// # Errors
/// When a file cannot be used.
pub async fn options(broker: &Mqtt, client_id: &str) -> Result<MqttOptions, Lost> {
    let mut options = MqttOptions::new(client_id, (broker.host.as_str(), broker.port));
    options.set_keep_alive(15).set_max_packet_size(LARGEST_PACKET, LARGEST_PACKET).set_inflight(IN_FLIGHT);
    options
        .try_set_clean_session(true)
        .map_err(|error| Lost::standing(error.to_string(), "give the broker a `client_id`"))?;
    if let Some(user) = &broker.username {
        match &broker.password_file {
            Some(path) => {
                let password = secret::read(path, "password_file", HEADER).await.map_err(Lost::person)?;
                options.set_credentials(user.as_str(), password);
            }
            None => drop(options.set_username(user.as_str())),
        }
    }
    if let Some(tls) = &broker.tls {
        let config = tls::config(tls, HEADER).await.map_err(Lost::person)?;
        options.set_transport(Transport::tls_with_config(TlsConfiguration::Rustls(Arc::new(config))));
    }
    Ok(options)
}

/// What a connection's end means.
fn lost(error: &ConnectionError) -> Lost {
    let said = error.to_string();
    if let Some(mend) = tls::mend(&said) {
        return Lost::standing(said, mend);
    }
    match error {
        ConnectionError::ConnectionRefused(code) => match code {
            ConnectReturnCode::BadUserNamePassword | ConnectReturnCode::NotAuthorized => Lost::standing(
                "the broker refuses our user name or password",
                "check `username`, and put the user's password into `password_file`",
            ),
            ConnectReturnCode::BadClientId => {
                Lost::standing("the broker refuses our client identifier", "give another `client_id`")
            }
            ConnectReturnCode::RefusedProtocolVersion => {
                Lost::standing("the broker does not speak MQTT 3.1.1", "switch that version on at the broker")
            }
            ConnectReturnCode::ServiceUnavailable | ConnectReturnCode::Success => {
                Lost::passing("the broker is not ready", "look at the broker's own log if it lasts")
            }
        },
        // A reset connection comes as the last, too: no byte of it was misread.
        ConnectionError::MqttState(
            StateError::ConnectionAborted | StateError::Io(_) | StateError::Deserialization(mqttbytes::Error::Io(_)),
        ) => Lost {
            hung_up: true,
            ..Lost::passing(
                "the broker has hung up",
                "look at the broker's own log if it lasts; two clients with one `client_id` throw each other out",
            )
        },
        ConnectionError::MqttState(StateError::Deserialization(inner)) => Lost {
            malformed: true,
            ..Lost::passing(
                format!("the connection to the broker broke: {inner}"),
                "look at the broker's own log and the network if it lasts",
            )
        },
        ConnectionError::MqttState(StateError::AwaitPingResp) | ConnectionError::NetworkTimeout => {
            Lost::passing("the broker does not answer", "check that the broker runs, and the network")
        }
        _ => Lost::passing(said, "check that the broker runs, `host` and `port`, and the network"),
    }
}

#[cfg(test)]
mod tests {
    use std::io::{Error, ErrorKind};

    use rumqttc::AsyncClient;
    use tokio::io::{AsyncReadExt, AsyncWriteExt};
    use tokio::net::TcpListener;

    use super::*;

    #[test]
    fn a_reset_connection_is_a_hang_up_and_nothing_misread() {
        let reset = || Error::from(ErrorKind::ConnectionReset);
        for error in [
            StateError::Io(reset()),
            StateError::Deserialization(mqttbytes::Error::Io(reset())),
            StateError::ConnectionAborted,
        ] {
            let lost = lost(&ConnectionError::MqttState(error));
            assert!(lost.hung_up && !lost.malformed && !lost.needs_person, "{lost:?}");
        }
        let misread = StateError::Deserialization(mqttbytes::Error::MalformedPacket);
        let lost = lost(&ConnectionError::MqttState(misread));
        assert!(lost.malformed && !lost.hung_up, "{lost:?}");
    }

    /// A broker that lets everybody in and then talks without end, to a session that is busy elsewhere.
    #[tokio::test]
    async fn what_a_broker_floods_us_with_fills_no_memory_and_does_not_hide_the_end() {
        const FLOOD: u16 = 5_000;
        let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
        let port = listener.local_addr().unwrap().port();
        let broker = tokio::spawn(async move {
            let (mut stream, _) = listener.accept().await.unwrap();
            let mut connect = [0; 512];
            assert!(stream.read(&mut connect).await.unwrap() > 0);
            stream.write_all(&[0x20, 2, 0, 0]).await.unwrap();
            let (mut hears, mut says) = stream.split();
            let flood = async {
                for n in 1..=FLOOD {
                    // A PUBLISH of QoS 1 under the topic `a/b` with its number and two bytes (MQTT 3.1.1, 3.3).
                    let [high, low] = n.to_be_bytes();
                    says.write_all(&[0x32, 9, 0, 3, b'a', b'/', b'b', high, low, b'x', b'x']).await.unwrap();
                }
            };
            // A PUBACK for each (3.4): all of it has been read.
            let mut acknowledged = vec![0; usize::from(FLOOD) * 4];
            let ((), read) = tokio::join!(flood, hears.read_exact(&mut acknowledged));
            read.unwrap();
        });
        let (_client, eventloop) =
            AsyncClient::builder(MqttOptions::new("flooded", ("127.0.0.1", port))).unbounded().try_build().unwrap();
        let (sender, mut signs) = mpsc::channel(SIGNS);
        let driving = tokio::spawn(drive(eventloop, sender));
        // All of it goes through although nobody takes a sign.
        broker.await.unwrap();
        let (mut came, mut connected, mut end) = (0, 0, 0);
        while let Some(sign) = signs.recv().await {
            match sign {
                Sign::Connected => connected += 1,
                Sign::Came(_) => came += 1,
                Sign::Lost(_) => end += 1,
            }
        }
        driving.await.unwrap();
        assert_eq!((connected, end), (1, 1));
        // What the client had in hand when the first was taken may still have come in.
        assert!((SIGNS - 1..SIGNS * 4).contains(&came), "{came} of {FLOOD}");
    }
}
