//! A stock client, as somebody else's program would use it: the other end of the tests with real brokers.

use super::ears::PATIENCE;
use rumqttc::v5::mqttbytes::QoS;
use rumqttc::v5::mqttbytes::v5::{Filter, LastWill, Publish, PublishProperties};
use rumqttc::v5::{AsyncClient, Event, Incoming, MqttOptions};
use std::net::SocketAddr;
use tokio::sync::mpsc;
use tokio::task::JoinHandle;
use tokio::time::timeout;

pub struct Stock {
    pub client: AsyncClient,
    heard: mpsc::UnboundedReceiver<Incoming>,
    task: JoinHandle<()>,
}

impl Stock {
    pub async fn connect(at: SocketAddr, id: &str, login: Option<(&str, &str)>) -> Self {
        for _ in 0..100 {
            if let Some(stock) = Self::try_connect(at, id, login).await {
                return stock;
            }
            // The port of a container opens before the program in it.
            tokio::time::sleep(std::time::Duration::from_millis(100)).await;
        }
        panic!("the broker does not let a stock client in");
    }

    pub async fn try_connect(at: SocketAddr, id: &str, login: Option<(&str, &str)>) -> Option<Self> {
        Self::with_will(at, id, login, None).await
    }

    pub async fn with_will(
        at: SocketAddr,
        id: &str,
        login: Option<(&str, &str)>,
        will: Option<LastWill>,
    ) -> Option<Self> {
        let mut options = MqttOptions::new(id, at.ip().to_string(), at.port());
        if let Some((name, password)) = login {
            options.set_credentials(name, password);
        }
        if let Some(will) = will {
            options.set_last_will(will);
        }
        let (client, mut events) = AsyncClient::new(options, 100);
        let (tell, heard) = mpsc::unbounded_channel();
        let task = tokio::spawn(async move {
            while let Ok(event) = events.poll().await {
                if let Event::Incoming(packet) = event {
                    let _ = tell.send(packet);
                }
            }
        });
        let mut stock = Self { client, heard, task };
        let first = timeout(PATIENCE, stock.heard.recv()).await.expect("no answer to a stock client")?;
        assert!(matches!(first, Incoming::ConnAck(_)), "{first:?}");
        Some(stock)
    }

    /// Subscribes with QoS 1 and waits for the answer.
    pub async fn hear(&mut self, filter: &str) {
        self.client.subscribe_many([Filter::new(filter, QoS::AtLeastOnce)]).await.unwrap();
        self.until(|packet| matches!(packet, Incoming::SubAck(_)).then_some(())).await;
    }

    pub async fn say(&self, topic: &str, payload: &str, retain: bool) {
        self.client.publish(topic, QoS::AtLeastOnce, retain, payload.to_owned()).await.unwrap();
    }

    pub async fn ask(&self, topic: &str, payload: &str, properties: PublishProperties) {
        let payload = payload.to_owned();
        self.client.publish_with_properties(topic, QoS::AtLeastOnce, false, payload, properties).await.unwrap();
    }

    pub async fn until<T>(&mut self, fits: impl Fn(&Incoming) -> Option<T>) -> T {
        loop {
            let heard = timeout(PATIENCE, self.heard.recv()).await.expect("a stock client hears nothing");
            if let Some(found) = fits(&heard.expect("a stock client lost its connection")) {
                return found;
            }
        }
    }

    pub async fn publish(&mut self) -> Publish {
        self.until(|packet| match packet {
            Incoming::Publish(publish) => Some(publish.clone()),
            _ => None,
        })
        .await
    }

    pub async fn text(&mut self) -> (String, String) {
        let publish = self.publish().await;
        let text = |bytes: &[u8]| String::from_utf8_lossy(bytes).into_owned();
        (text(&publish.topic), text(&publish.payload))
    }
}

/// Its connection breaks.
impl Drop for Stock {
    fn drop(&mut self) {
        self.task.abort();
    }
}
