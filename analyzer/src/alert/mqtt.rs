//! Publishing over MQTT 3.1.1 (OASIS standard) with quality of service 1: a message was taken when the broker has
//! acknowledged it, not when it was sent.
//!
//! Without encryption: the broker is meant to be on board, and to hand on over an encrypted bridge.

use super::AlertError;
use rumqttc::{Client, Event, MqttOptions, Packet, QoS};
use std::time::{Duration, Instant};

/// The largest message, bytes.
const LARGEST: usize = 4 << 20;

/// Where to publish.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Broker {
    /// Name or address.
    pub host: String,
    /// As a rule 1883.
    pub port: u16,
    /// Where the broker wants to know.
    pub user: Option<(String, String)>,
    /// The topic.
    pub topic: String,
}

impl Broker {
    /// Of `mqtt://[user@]host[:port]`; the password is not to stand where everybody sees it.
    ///
    /// # Errors
    /// What is wrong with it.
    pub fn parse(url: &str, topic: &str, password: Option<String>) -> Result<Self, String> {
        let rest =
            url.strip_prefix("mqtt://").ok_or_else(|| format!("`{url}`: write mqtt://host or mqtt://host:1883"))?;
        let (user, place) = rest.rsplit_once('@').map_or((None, rest), |(user, place)| (Some(user), place));
        let (host, port) = place.rsplit_once(':').map_or((place, "1883"), |(host, port)| (host, port));
        let port = port.parse().ok().filter(|port| *port > 0);
        let port = port.ok_or_else(|| format!("`{url}`: the port is no number from 1 to 65535"))?;
        if host.is_empty() || user.is_some_and(|user| user.contains(':')) {
            return Err(format!("`{url}`: write mqtt://user@host; the password belongs into AMPWAKE_MQTT_PASSWORD"));
        }
        // Wildcards are for those who listen (MQTT 3.1.1, 4.7.1).
        if topic.is_empty() || topic.len() > 1000 || topic.contains(['+', '#', '\0']) {
            return Err(format!("`{topic}` is no topic to publish to: it may not be empty or have `+` or `#` in it"));
        }
        let user = user.map(|user| (user.to_owned(), password.unwrap_or_default()));
        Ok(Self { host: host.to_owned(), port, user, topic: topic.to_owned() })
    }
}

/// Publishes `bodies` one after the other and calls `acknowledged` with the place of each one that the broker has.
///
/// # Errors
/// The broker cannot be reached or does not acknowledge in time; those that were acknowledged were told.
pub fn publish(
    broker: &Broker,
    bodies: &[String],
    patience: Duration,
    mut acknowledged: impl FnMut(usize) -> Result<(), AlertError>,
) -> Result<(), AlertError> {
    let place = format!("the broker at {}:{}", broker.host, broker.port);
    let mut options = MqttOptions::new(format!("ampwake-{}", std::process::id()), &broker.host, broker.port);
    options.set_keep_alive(Duration::from_secs(30)).set_max_packet_size(1 << 16, LARGEST);
    if let Some((user, password)) = &broker.user {
        options.set_credentials(user, password);
    }
    let (client, mut connection) = Client::new(options, 4);
    for (i, body) in bodies.iter().enumerate() {
        let failed = |text: String| AlertError::NotTaken(format!("{place} {text}; {} wait", bodies.len() - i));
        client
            .try_publish(&broker.topic, QoS::AtLeastOnce, false, body.as_bytes())
            .map_err(|e| failed(format!("was not given the message: {e}")))?;
        let deadline = Instant::now() + patience;
        loop {
            let left = deadline.saturating_duration_since(Instant::now());
            match connection.recv_timeout(left) {
                Ok(Ok(Event::Incoming(Packet::PubAck(_)))) => break,
                Ok(Ok(_)) if !left.is_zero() => {}
                Ok(Err(e)) => return Err(failed(format!("cannot be reached: {e}"))),
                _ => return Err(failed("does not acknowledge".to_owned())),
            }
        }
        acknowledged(i)?;
    }
    // A broker that is told goodbye has nothing to clean up; it has the messages either way.
    if client.try_disconnect().is_ok() {
        let _ = connection.recv_timeout(Duration::from_millis(200));
    }
    Ok(())
}
