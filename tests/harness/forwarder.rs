//! A port that leads to another one, until it is cut: a network between the server and its database that can fail, or lead elsewhere.
use std::{
    net::SocketAddr,
    sync::{Arc, Mutex},
};

use tokio::{io::copy_bidirectional, net::TcpListener, net::TcpStream, sync::watch};

/// Where it leads; nowhere while it is cut.
type Target = Option<SocketAddr>;

/// The port, and what it leads to.
pub struct Forwarder {
    /// Its own address.
    pub address: SocketAddr,
    target: Arc<Mutex<Target>>,
    cut: watch::Sender<u32>,
}

impl Forwarder {
    /// Opens it.
    pub async fn to(target: SocketAddr) -> Self {
        let listener = TcpListener::bind("127.0.0.1:0").await.expect("a free port");
        let address = listener.local_addr().expect("an address");
        let target = Arc::new(Mutex::new(Some(target)));
        let (cut, cuts) = watch::channel(0);
        let leads = Arc::clone(&target);
        tokio::spawn(async move {
            while let Ok((mut near, _)) = listener.accept().await {
                let (leads, mut cuts) = (Arc::clone(&leads), cuts.clone());
                cuts.mark_unchanged();
                tokio::spawn(async move {
                    let target = *leads.lock().expect("nobody panicked");
                    let Some(target) = target else { return };
                    let Ok(mut far) = TcpStream::connect(target).await else { return };
                    tokio::select! {
                        _ = copy_bidirectional(&mut near, &mut far) => {}
                        _ = cuts.changed() => {}
                    }
                });
            }
        });
        Self { address, target, cut }
    }
    /// Breaks every connection; new ones end at once, until it leads somewhere again.
    pub fn cut(&self) {
        *self.target.lock().expect("nobody panicked") = None;
        self.cut.send_modify(|count| *count += 1);
    }
    /// Lets it lead somewhere.
    pub fn lead_to(&self, target: SocketAddr) {
        *self.target.lock().expect("nobody panicked") = Some(target);
    }
}
