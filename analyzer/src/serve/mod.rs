//! The live page: `ampwake serve`.
//!
//! Owes its reader: it only reads, and answers GET and HEAD (and the one form that takes the token); nothing that a browser
//! does reaches the recorder. One thread judges and publishes finished pages; everybody who looks gets the latest one, and who
//! is slow gets fewer of them. Connections, their lives and what they may send have bounds.

mod access;
mod page;
mod routes;
pub(crate) mod words;

pub use access::{Access, TokenError, read_token};

use crate::live::{self, History, Snapshot};
use hyper_util::rt::{TokioIo, TokioTimer};
use hyper_util::service::TowerToHyperService;
use page::Page;
use routes::Shared;
use std::collections::BTreeMap;
use std::io::Write;
use std::net::SocketAddr;
use std::sync::{Arc, Mutex, mpsc};
use std::time::Duration;
use tokio::net::{TcpListener, TcpStream};
use tokio::sync::{Semaphore, watch};

/// Connections at a time. A browser opens up to six.
const CONNECTIONS: usize = 64;
/// Of these, such as listen for news.
const LISTENERS: usize = 24;
/// A request must have come whole within this.
const PATIENCE: Duration = Duration::from_secs(10);
/// No connection lives longer: one whose other end has vanished holds its place no longer than this. A browser that listens
/// for news comes back by itself.
const LIFE: Duration = Duration::from_secs(600);

/// What to serve.
#[derive(Debug)]
pub struct Options {
    /// What is followed.
    pub live: live::Options,
    /// Where to listen.
    pub listen: SocketAddr,
    /// The token, needed where that is more than this computer.
    pub token: Option<String>,
    /// Names under which the page answers beside addresses and `localhost`.
    pub names: Vec<String>,
}

/// Why it cannot be served.
#[derive(Debug, thiserror::Error)]
pub enum ServeError {
    /// Anybody on the network could look.
    #[error(
        "{0} can be reached from other computers: give the file of a token that they have to know (--token-file FILE), \
         or listen on 127.0.0.1 and come through `ssh -L`"
    )]
    NeedsToken(SocketAddr),
    /// The address is taken, or not this computer's.
    #[error("cannot listen on {address}: {cause}; choose another with --listen ADDRESS:PORT")]
    Listen {
        /// The address.
        address: SocketAddr,
        /// What the operating system says.
        cause: std::io::Error,
    },
    /// A mistake in this program.
    #[error("the part that judges has ended; start again, and please report what it said")]
    Judge,
    /// The operating system refuses something else.
    #[error("cannot serve: {0}")]
    System(#[from] std::io::Error),
}

/// Serves until Ctrl-C or SIGTERM. Says on `out` where, once it listens.
///
/// # Errors
/// See [`ServeError`].
pub fn serve(options: Options, out: &mut dyn Write) -> Result<(), ServeError> {
    let Options { live, listen, token, names } = options;
    if token.is_none() && !listen.ip().is_loopback() {
        return Err(ServeError::NeedsToken(listen));
    }
    let mut secret = [0; 32];
    getrandom::fill(&mut secret).map_err(|e| std::io::Error::other(e.to_string()))?;
    // One thread is plenty: nothing here computes but the reading of tiles, which has threads of its own.
    let runtime =
        tokio::runtime::Builder::new_current_thread().enable_io().enable_time().max_blocking_threads(2).build()?;
    let history = Arc::new(History::new(live.db.clone()));
    let first = Page::of(Snapshot::nothing(live::Standing::Reading, crate::live::clock()), None);
    let (told, pages) = watch::channel(Arc::new(first));
    let (stop, stopped) = mpsc::channel();
    let judge = std::thread::Builder::new().name("live".to_owned()).spawn({
        let (live, history) = (live.clone(), Arc::clone(&history));
        move || judge(&live, &history, &stopped, &told)
    })?;
    let shared = Arc::new(Shared {
        access: Access::new(token.as_deref(), names, secret),
        pages,
        history,
        tiles: Mutex::new(BTreeMap::new()),
        epoch: secret[..6].iter().map(|b| format!("{b:02x}")).collect(),
        listeners: Arc::new(Semaphore::new(LISTENERS)),
        readers: Semaphore::new(1),
        tries: Semaphore::new(1),
    });
    let served = runtime.block_on(async {
        let listener =
            TcpListener::bind(listen).await.map_err(|cause| ServeError::Listen { address: listen, cause })?;
        let address = listener.local_addr()?;
        writeln!(out, "{}", words::listening(&address.to_string(), &live.db.display().to_string()))?;
        out.flush()?;
        tokio::select! {
            () = accept(&listener, &shared) => Ok(()),
            () = silence(shared.pages.clone()) => Err(ServeError::Judge),
            ended = ended() => ended.map_err(ServeError::from),
        }
    });
    // Whoever still listens is cut off: an endless answer would never end by itself.
    runtime.shutdown_background();
    drop(stop);
    // A panic of the judging was told already; the page went on with what it had.
    let _ = judge.join();
    served
}

/// Follows the database and publishes pages; nobody's absence or slowness is noticed here.
fn judge(options: &live::Options, history: &History, stopped: &mpsc::Receiver<()>, told: &watch::Sender<Arc<Page>>) {
    let mut file = None;
    live::follow(options, stopped, &mut |snapshot| {
        let recorded = snapshot.recorded.map(|p| p.start);
        if std::mem::replace(&mut file, recorded) != recorded {
            // Perhaps another database under the same name.
            history.forget();
        }
        let before = Arc::clone(&told.borrow());
        told.send_replace(Arc::new(Page::of(snapshot, Some(&before))));
        true
    });
}

/// Ends when nobody publishes pages any more: a page that will never change again is not to be taken for the present.
async fn silence(mut pages: watch::Receiver<Arc<Page>>) {
    while pages.changed().await.is_ok() {}
}

async fn accept(listener: &TcpListener, shared: &Arc<Shared>) {
    let places = Arc::new(Semaphore::new(CONNECTIONS));
    let app = routes::router(Arc::clone(shared));
    loop {
        // Whoever comes when all places are taken waits in the operating system's queue.
        let Ok(place) = Arc::clone(&places).acquire_owned().await else { return };
        let stream = match listener.accept().await {
            Ok((stream, _)) => stream,
            Err(_) => {
                // No more files, or a connection that is gone already: the next one may do better.
                tokio::time::sleep(Duration::from_millis(100)).await;
                continue;
            }
        };
        let app = app.clone();
        tokio::spawn(async move {
            connection(stream, app).await;
            drop(place);
        });
    }
}

async fn connection(stream: TcpStream, app: axum::Router) {
    // Small answers are to go out at once; where that cannot be set they go out a little later.
    let _ = stream.set_nodelay(true);
    let served = hyper::server::conn::http1::Builder::new()
        .timer(TokioTimer::new())
        .header_read_timeout(PATIENCE)
        .max_buf_size(16 * 1024)
        .serve_connection(TokioIo::new(stream), TowerToHyperService::new(app));
    // What goes wrong with one browser's connection is that browser's to say.
    let _ = tokio::time::timeout(LIFE, served).await;
}

/// Waits for Ctrl-C, or for SIGTERM where there is one.
async fn ended() -> std::io::Result<()> {
    #[cfg(unix)]
    {
        let mut term = tokio::signal::unix::signal(tokio::signal::unix::SignalKind::terminate())?;
        tokio::select! {
            ended = tokio::signal::ctrl_c() => ended,
            _ = term.recv() => Ok(()),
        }
    }
    #[cfg(not(unix))]
    tokio::signal::ctrl_c().await
}
