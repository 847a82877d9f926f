//! What the page answers.

use super::access::{Access, token_of_form};
use super::page::{self, Page};
use super::{PATIENCE, words};
use crate::live::{ChartSeries, History};
use crate::report::{self, ReportInput};
use ampwake_schemas::time::Timestamp;
use axum::Router;
use axum::body::{Body, to_bytes};
use axum::extract::{Path, Request, State};
use axum::http::{HeaderMap, HeaderValue, StatusCode, header};
use axum::middleware::{Next, from_fn_with_state};
use axum::response::sse::{Event, KeepAlive, Sse};
use axum::response::{IntoResponse, Response};
use axum::routing::{get, post};
use std::collections::BTreeMap;
use std::convert::Infallible;
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;
use tokio::sync::{OwnedSemaphorePermit, Semaphore, watch};

/// Tiles kept for several browsers that look at the same time.
const MOST_TILES: usize = 48;
/// A form with a token is no longer.
const FORM: usize = 4096;
/// After a wrong token the next one is not looked at for this long.
const AFTER_WRONG: Duration = Duration::from_secs(1);

/// The newest time that was known when it was read, none where it can not change any more, and its text.
type KeptTile = (Option<Timestamp>, Arc<str>);

/// What all answers share.
pub struct Shared {
    /// Who may look.
    pub access: Access,
    /// The latest page.
    pub pages: watch::Receiver<Arc<Page>>,
    /// The past.
    pub history: Arc<History>,
    /// Tiles by place, level and number.
    pub tiles: Mutex<BTreeMap<(String, usize, i64), KeptTile>>,
    /// Stands in the addresses of tiles: what a browser kept from an earlier start is another one's.
    pub epoch: String,
    /// Places for those who listen for news.
    pub listeners: Arc<Semaphore>,
    /// One tile is read at a time, so that nobody can keep all cores busy.
    pub readers: Semaphore,
    /// One token is tried at a time.
    pub tries: Semaphore,
}

type App = State<Arc<Shared>>;

/// The whole page.
pub fn router(shared: Arc<Shared>) -> Router {
    let looks = Router::new()
        .route("/", get(whole))
        .route("/events", get(events))
        .route("/snapshot.json", get(snapshot))
        .route("/report", get(full_report))
        .route("/tile/{epoch}/{level}/{number}", get(tile))
        .route_layer(from_fn_with_state(Arc::clone(&shared), admitted));
    Router::new()
        .merge(looks)
        .route("/enter", post(enter))
        .route("/page.css", get(|| async { asset("text/css; charset=utf-8", page::CSS) }))
        .route("/page.js", get(|| async { asset("text/javascript; charset=utf-8", page::SCRIPT) }))
        .fallback(|| async { (StatusCode::NOT_FOUND, words::NO_PAGE) })
        .layer(from_fn_with_state(Arc::clone(&shared), guarded))
        .with_state(shared)
}

/// The name under which it was asked for, and the headers of every answer.
async fn guarded(State(shared): App, request: Request, next: Next) -> Response {
    let headers = request.headers();
    let host = headers.get(header::HOST).and_then(|h| h.to_str().ok()).unwrap_or_default();
    // A form of another site, or from nowhere.
    let foreign = headers.get(header::ORIGIN).is_some_and(|origin| {
        let origin = origin.to_str().unwrap_or_default();
        origin.split_once("://").is_none_or(|(_, from)| from != host)
    });
    let mut response = if !shared.access.knows_host(host) {
        (StatusCode::MISDIRECTED_REQUEST, words::OTHER_NAME).into_response()
    } else if foreign {
        (StatusCode::FORBIDDEN, words::OTHER_SITE).into_response()
    } else {
        next.run(request).await
    };
    let own = response.headers_mut();
    for (name, value) in [
        (header::X_CONTENT_TYPE_OPTIONS, "nosniff"),
        (header::REFERRER_POLICY, "no-referrer"),
        (header::X_FRAME_OPTIONS, "DENY"),
        (header::HeaderName::from_static("cross-origin-opener-policy"), "same-origin"),
        (header::HeaderName::from_static("cross-origin-resource-policy"), "same-origin"),
        (header::HeaderName::from_static("permissions-policy"), "camera=(), geolocation=(), microphone=()"),
    ] {
        own.insert(name, HeaderValue::from_static(value));
    }
    own.entry(header::CACHE_CONTROL).or_insert(HeaderValue::from_static("no-store"));
    own.entry(header::CONTENT_SECURITY_POLICY).or_insert(HeaderValue::from_static(
        "default-src 'none'; script-src 'self'; style-src 'self'; connect-src 'self'; img-src 'self' data:; \
         form-action 'self'; base-uri 'none'; frame-ancestors 'none'",
    ));
    response
}

/// Whoever may not look gets the form for the token instead.
async fn admitted(State(shared): App, request: Request, next: Next) -> Response {
    if shared.access.admits(cookies(request.headers())) {
        return next.run(request).await;
    }
    if request.uri().path() == "/" {
        (StatusCode::UNAUTHORIZED, html(page::door(false))).into_response()
    } else {
        (StatusCode::UNAUTHORIZED, words::NEEDS_TOKEN).into_response()
    }
}

fn cookies(headers: &HeaderMap) -> impl Iterator<Item = &str> {
    headers.get_all(header::COOKIE).iter().filter_map(|h| h.to_str().ok())
}

fn html(text: String) -> Response {
    typed("text/html; charset=utf-8", text)
}

fn typed(kind: &'static str, body: impl Into<Body>) -> Response {
    ([(header::CONTENT_TYPE, kind)], body.into()).into_response()
}

fn asset(kind: &'static str, text: &'static str) -> Response {
    typed(kind, text)
}

async fn whole(State(shared): App) -> Response {
    let page = Arc::clone(&shared.pages.borrow());
    html(page::whole(&page, &shared.epoch))
}

async fn snapshot(State(shared): App) -> Response {
    let page = Arc::clone(&shared.pages.borrow());
    typed("application/json", page.json())
}

async fn enter(State(shared): App, request: Request) -> Response {
    let body = tokio::time::timeout(PATIENCE, to_bytes(request.into_body(), FORM)).await;
    let Ok(Ok(body)) = body else { return (StatusCode::BAD_REQUEST, words::NEEDS_TOKEN).into_response() };
    let Ok(_turn) = shared.tries.acquire().await else { return StatusCode::SERVICE_UNAVAILABLE.into_response() };
    let cookie = token_of_form(&body).and_then(|token| shared.access.enter(&token));
    match cookie.and_then(|c| HeaderValue::from_str(&c).ok()) {
        Some(cookie) => {
            (StatusCode::SEE_OTHER, [(header::SET_COOKIE, cookie), (header::LOCATION, HeaderValue::from_static("/"))])
                .into_response()
        }
        None => {
            tokio::time::sleep(AFTER_WRONG).await;
            (StatusCode::UNAUTHORIZED, html(page::door(true))).into_response()
        }
    }
}

/// The news: every time the parts of the page that have changed. Only the latest page counts; who is slow misses those
/// between.
async fn events(State(shared): App) -> Response {
    let Ok(place) = Arc::clone(&shared.listeners).try_acquire_owned() else {
        return (StatusCode::SERVICE_UNAVAILABLE, words::TOO_MANY).into_response();
    };
    let mut pages = shared.pages.clone();
    pages.mark_changed();
    let from = Listening { pages, sent: None, _place: place };
    let stream = futures_util::stream::unfold(from, |mut at| async move {
        at.pages.changed().await.ok()?;
        let page = Arc::clone(&at.pages.borrow_and_update());
        let event = Event::default().retry(Duration::from_secs(2)).data(page.changes(at.sent.as_deref()));
        at.sent = Some(page);
        Some((Ok::<_, Infallible>(event), at))
    });
    Sse::new(stream).keep_alive(KeepAlive::new().interval(Duration::from_secs(15))).into_response()
}

struct Listening {
    pages: watch::Receiver<Arc<Page>>,
    sent: Option<Arc<Page>>,
    _place: OwnedSemaphorePermit,
}

async fn tile(State(shared): App, Path((epoch, level, number)): Path<(String, usize, i64)>) -> Response {
    let page = Arc::clone(&shared.pages.borrow());
    let newest = page.snapshot.newest;
    let (Some(until), true) = (newest, epoch == page.tiles(&shared.epoch)) else {
        return (StatusCode::NOT_FOUND, words::NO_PAGE).into_response();
    };
    let kept =
        shared.tiles.lock().unwrap_or_else(PoisonError::into_inner).get(&(epoch.clone(), level, number)).cloned();
    if let Some((known, json)) = kept.filter(|(known, _)| known.is_none() || *known == newest) {
        return told(&json, known.is_none());
    }
    let Ok(_turn) = shared.readers.acquire().await else { return StatusCode::SERVICE_UNAVAILABLE.into_response() };
    let (history, series): (_, Vec<ChartSeries>) = (Arc::clone(&shared.history), page.snapshot.series.clone());
    let read = tokio::task::spawn_blocking(move || history.tile(&series, level, number, until)).await;
    match read {
        Ok(Ok(Some(tile))) => {
            let json: Arc<str> = tile.json.into();
            let mut tiles = shared.tiles.lock().unwrap_or_else(PoisonError::into_inner);
            if tiles.len() >= MOST_TILES {
                tiles.clear();
            }
            tiles.insert((epoch, level, number), ((!tile.finished).then_some(until), Arc::clone(&json)));
            told(&json, tile.finished)
        }
        Ok(Ok(None)) => (StatusCode::NOT_FOUND, words::NO_PAGE).into_response(),
        Ok(Err(error)) => (StatusCode::SERVICE_UNAVAILABLE, error.to_string()).into_response(),
        Err(_) => StatusCode::INTERNAL_SERVER_ERROR.into_response(),
    }
}

fn told(json: &str, finished: bool) -> Response {
    let mut response = typed("application/json", json.to_owned());
    if finished {
        let keep = HeaderValue::from_static("private, max-age=86400, immutable");
        response.headers_mut().insert(header::CACHE_CONTROL, keep);
    }
    response
}

/// The report of the hours that are judged, as `ampwake analyze --html` writes it.
async fn full_report(State(shared): App) -> Response {
    let page = Arc::clone(&shared.pages.borrow());
    let Some(kept) = page.snapshot.kept.clone() else {
        return (StatusCode::NOT_FOUND, words::NO_REPORT).into_response();
    };
    let Ok(_turn) = shared.readers.acquire().await else { return StatusCode::SERVICE_UNAVAILABLE.into_response() };
    let written = tokio::task::spawn_blocking(move || {
        let input = ReportInput {
            findings: &kept.analysis.findings,
            intent: &kept.intent,
            charts: &kept.analysis.charts,
            provenance: kept.provenance.clone(),
        };
        let mut out = Vec::new();
        report::html(&input, &mut out).map(|()| out)
    });
    match written.await {
        Ok(Ok(text)) => {
            let mut response = typed("text/html; charset=utf-8", text);
            // The report is one file with its style inside, and says itself what it may load: nothing.
            let policy = HeaderValue::from_str(&format!("{}; frame-ancestors 'none'", report::policy()));
            if let Ok(policy) = policy {
                response.headers_mut().insert(header::CONTENT_SECURITY_POLICY, policy);
            }
            response
        }
        _ => StatusCode::INTERNAL_SERVER_ERROR.into_response(),
    }
}
