//! Serves the page: to browsers on this computer, or to those that know the token.
//!
//! | path | what comes |
//! |---|---|
//! | `/` | the document, with style and script inside and no data |
//! | `/events` | the [`View`] now and after each change, as server-sent events |
//! | `/history` | energy, and the last day and month in bins |
//! | `/enter` | a cookie, for the right token |
//!
//! Every one is a `GET`, and none changes anything. What a slow or silent client can take is bounded: so many
//! connections at once, so long for a request, so long for a connection. The listener never waits for any of them.

use super::place::{Place, is_ours};
use super::token::Token;
use super::view::View;
use crate::diagnostic::Problem;
use crate::service::listen::utc_ms;
use crate::service::store::log::{Course, Energy, Log};
use crate::threads;
use axum::Router;
use axum::body::Body;
use axum::extract::{Query, Request, State};
use axum::http::header::{
    AUTHORIZATION, CACHE_CONTROL, CONTENT_SECURITY_POLICY, CONTENT_TYPE, COOKIE, HOST, REFERRER_POLICY, SET_COOKIE,
    WWW_AUTHENTICATE, X_CONTENT_TYPE_OPTIONS,
};
use axum::http::{HeaderMap, HeaderName, HeaderValue, StatusCode};
use axum::middleware::{self, Next};
use axum::response::sse::{Event, Sse};
use axum::response::{IntoResponse, Response};
use axum::routing::get;
use futures_util::stream;
use hyper::server::conn::http1;
use hyper_util::rt::{TokioIo, TokioTimer};
use hyper_util::service::TowerToHyperService;
use serde::{Deserialize, Serialize};
use std::convert::Infallible;
use std::net::SocketAddr;
use std::path::PathBuf;
use std::sync::{Arc, Mutex, PoisonError};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};
use tokio::net::TcpListener;
use tokio::sync::{Semaphore, oneshot, watch};
use tokio::time::{sleep, timeout};

/// Connections at once. A browser takes two for a page.
pub const MOST_CONNECTIONS: usize = 64;

/// A request that has not come whole after this long does not come.
const REQUEST: Duration = Duration::from_secs(10);

/// Something is sent at least so often, so that a page knows that it is still connected.
const BEAT: Duration = Duration::from_secs(10);

/// After this long a stream of events ends, and the browser opens another. One that has gone without a word is found so.
const STREAM: Duration = Duration::from_mins(10);

/// After this long a connection ends, whatever it does: a client that reads nothing has had its turn.
const CONNECTION: Duration = Duration::from_mins(11);

/// How long the bins of day and month are good for. There is a row a minute.
const FRESH: Duration = Duration::from_secs(50);

/// Width of a bin of the last day and of the last month, and how many (ms).
const DAY: (i64, usize) = (10 * 60_000, 144);
const MONTH: (i64, usize) = (4 * 3_600_000, 180);

/// Name of the cookie that holds the token.
const COOKIE_NAME: &str = "forewarm_token";

const DOCUMENT: &str = include_str!("page/page.html");
const STYLE: &str = include_str!("page/page.css");
const SCRIPT: &str = include_str!("page/page.js");

/// A running server. It ends when this is dropped.
#[derive(Debug)]
pub struct Server {
    address: SocketAddr,
    stop: Option<oneshot::Sender<Infallible>>,
    thread: Option<JoinHandle<()>>,
}

impl Server {
    /// Serves what `views` shows and what is kept at `kept`.
    ///
    /// # Errors
    /// If the system gives it no thread or takes the place away; nothing else fails.
    pub fn start(place: Place, views: watch::Receiver<View>, kept: PathBuf) -> Result<Self, Problem> {
        let address = place.address()?;
        let Place { listener, token } = place;
        let cannot = |error: std::io::Error| {
            Problem::error(&format!("--serve {address}"), format!("cannot be served: {error}"))
                .of_use()
                .remedy("another port")
        };
        listener.set_nonblocking(true).map_err(cannot)?;
        let runtime = tokio::runtime::Builder::new_current_thread()
            .enable_io()
            .enable_time()
            // Reading what is kept is short, and one at a time.
            .max_blocking_threads(1)
            .build()
            .map_err(cannot)?;
        let listener = {
            let _within = runtime.enter();
            TcpListener::from_std(listener).map_err(cannot)?
        };
        let shared = Arc::new(Shared { views, token, history: History { kept, latest: Mutex::new(None) } });
        let (stop, stopped) = oneshot::channel();
        let serves = threads::named("serve").spawn(move || {
            runtime.block_on(async {
                tokio::select! {
                    () = serve(&listener, routes(shared)) => {}
                    _ = stopped => {}
                }
            });
            runtime.shutdown_background();
        });
        let thread = serves.map_err(|error| threads::not_started(&error))?;
        Ok(Self { address, stop: Some(stop), thread: Some(thread) })
    }

    /// Where it serves.
    #[must_use]
    pub const fn address(&self) -> SocketAddr {
        self.address
    }
}

impl Drop for Server {
    fn drop(&mut self) {
        drop(self.stop.take());
        if let Some(thread) = self.thread.take() {
            // A panic in it has been printed already.
            let _ = thread.join();
        }
    }
}

/// Lets everybody in, one task each, up to the bound.
async fn serve(listener: &TcpListener, routes: Router) {
    let room = Arc::new(Semaphore::new(MOST_CONNECTIONS));
    loop {
        let Ok((stream, _)) = listener.accept().await else {
            // No more descriptors, or one that has gone already. Others may end meanwhile.
            sleep(Duration::from_millis(100)).await;
            continue;
        };
        let Ok(place) = Arc::clone(&room).try_acquire_owned() else {
            let full = b"HTTP/1.1 503 Service Unavailable\r\nContent-Length: 0\r\nRetry-After: 30\r\nConnection: close\r\n\r\n";
            // Whoever does not take even this is not waited for.
            if let Ok(Ok(())) = timeout(Duration::from_millis(100), stream.writable()).await {
                let _ = stream.try_write(full);
            }
            continue;
        };
        let service = TowerToHyperService::new(routes.clone());
        tokio::spawn(async move {
            let mut http = http1::Builder::new();
            http.timer(TokioTimer::new()).header_read_timeout(REQUEST);
            // How it ends is the client's business.
            let _ = timeout(CONNECTION, http.serve_connection(TokioIo::new(stream), service)).await;
            drop(place);
        });
    }
}

struct Shared {
    views: watch::Receiver<View>,
    token: Option<Token>,
    history: History,
}

fn routes(shared: Arc<Shared>) -> Router {
    let closed = Router::new().route("/events", get(events)).route("/history", get(history));
    let closed = closed.route_layer(middleware::from_fn_with_state(Arc::clone(&shared), let_in));
    Router::new()
        .route("/", get(document))
        .route("/enter", get(enter))
        .merge(closed)
        .layer(middleware::from_fn(at_home))
        .with_state(shared)
}

/// Answers nobody who was led here by a name, and says to every browser what it may do with the answer.
async fn at_home(request: Request, next: Next) -> Response {
    let host = request.headers().get(HOST).and_then(|host| host.to_str().ok());
    let mut response = if host.is_some_and(is_ours) {
        next.run(request).await
    } else {
        let text = "This page is served by number only. Ask for it as http://127.0.0.1 or the number of this computer, with its port.\n";
        (StatusCode::MISDIRECTED_REQUEST, text).into_response()
    };
    let headers = response.headers_mut();
    let nothing = HeaderValue::from_static("default-src 'none'; frame-ancestors 'none'");
    headers.entry(CONTENT_SECURITY_POLICY).or_insert(nothing);
    for (name, value) in [
        (CACHE_CONTROL, "no-store"),
        (X_CONTENT_TYPE_OPTIONS, "nosniff"),
        (REFERRER_POLICY, "no-referrer"),
        (HeaderName::from_static("cross-origin-resource-policy"), "same-origin"),
        (HeaderName::from_static("cross-origin-opener-policy"), "same-origin"),
    ] {
        headers.insert(name, HeaderValue::from_static(value));
    }
    response
}

/// The token that a request carries, in a cookie or in a header.
fn shown_token(headers: &HeaderMap) -> Option<&[u8]> {
    let header = headers.get(AUTHORIZATION).and_then(|value| value.as_bytes().strip_prefix(b"Bearer "));
    let cookies =
        headers.get_all(COOKIE).iter().filter_map(|value| value.to_str().ok()).flat_map(|text| text.split("; "));
    let mut ours = cookies.filter_map(|cookie| cookie.strip_prefix(COOKIE_NAME)?.strip_prefix('='));
    header.or_else(|| ours.next().map(str::as_bytes))
}

fn knows(shared: &Shared, headers: &HeaderMap) -> bool {
    shared.token.as_ref().is_none_or(|token| shown_token(headers).is_some_and(|shown| token.is(shown)))
}

fn keep_out() -> Response {
    (StatusCode::UNAUTHORIZED, [(WWW_AUTHENTICATE, "Bearer")], "The token is missing or wrong.\n").into_response()
}

async fn let_in(State(shared): State<Arc<Shared>>, request: Request, next: Next) -> Response {
    if knows(&shared, request.headers()) { next.run(request).await } else { keep_out() }
}

async fn enter(State(shared): State<Arc<Shared>>, headers: HeaderMap) -> Response {
    if !knows(&shared, &headers) {
        return keep_out();
    }
    // A browser that has it sends it to this host alone, hides it from scripts, and forgets it after a month.
    let token =
        shared.token.as_ref().and_then(|_| shown_token(&headers)).and_then(|token| std::str::from_utf8(token).ok());
    let cookie =
        token.map(|token| format!("{COOKIE_NAME}={token}; Path=/; HttpOnly; SameSite=Strict; Max-Age=2592000"));
    let mut response = StatusCode::NO_CONTENT.into_response();
    if let Some(cookie) = cookie.and_then(|cookie| HeaderValue::try_from(cookie).ok()) {
        response.headers_mut().insert(SET_COOKIE, cookie);
    }
    response
}

async fn document() -> Response {
    // Whatever finds its way into the page does not know this number, and is not run.
    let nonce = format!("{:032x}", rand::random::<u128>());
    let policy = format!(
        "default-src 'none'; script-src 'nonce-{nonce}'; style-src 'nonce-{nonce}'; connect-src 'self'; img-src data:; base-uri 'none'; \
         form-action 'none'; frame-ancestors 'none'"
    );
    let document = DOCUMENT.replace("{nonce}", &nonce).replace("{style}", STYLE).replace("{script}", SCRIPT);
    let headers = [(CONTENT_TYPE, "text/html; charset=utf-8"), (CONTENT_SECURITY_POLICY, policy.as_str())];
    (headers, document).into_response()
}

/// A view, and how old what it says is at the moment of sending. The clock of the reader may be another.
#[derive(Serialize)]
struct Sent<'v> {
    age_ms: Option<u64>,
    #[serde(flatten)]
    view: &'v View,
}

async fn events(State(shared): State<Arc<Shared>>) -> Response {
    let state = (shared.views.clone(), Instant::now() + STREAM, true);
    let events = stream::unfold(state, |(mut views, end, is_first)| async move {
        if !is_first && matches!(timeout(BEAT, views.changed()).await, Ok(Err(_))) || Instant::now() >= end {
            return None;
        }
        let text = {
            let view = views.borrow_and_update();
            serde_json::to_string(&Sent { age_ms: view.age_ms(), view: &view }).ok()?
        };
        let event = Event::default().event("view").retry(Duration::from_secs(3)).data(text);
        Some((Ok::<_, Infallible>(event), (views, end, false)))
    });
    Sse::new(events).into_response()
}

/// Where the days and months of whoever asks begin: only the reader knows its time zone.
#[derive(Clone, Copy, Deserialize)]
struct Since {
    day_utc_ms: i64,
    month_utc_ms: i64,
}

/// What was, as far as it is kept. Nothing of a file that is still empty.
#[derive(Default, Serialize)]
struct Past {
    today: Option<Energy>,
    month: Option<Energy>,
    last_day: Option<Course>,
    last_month: Option<Course>,
}

/// Reads what is kept, one reader at a time.
struct History {
    kept: PathBuf,
    latest: Mutex<Option<(Instant, Course, Course)>>,
}

impl History {
    fn read(&self, since: Since) -> Result<Past, Problem> {
        let mut latest = self.latest.lock().unwrap_or_else(PoisonError::into_inner);
        let Some(log) = Log::open_if_any(&self.kept)? else { return Ok(Past::default()) };
        if latest.as_ref().is_none_or(|(read, ..)| read.elapsed() >= FRESH) {
            let now = utc_ms();
            let course = |(width, count): (i64, usize)| {
                let last = now.div_euclid(width) * width;
                log.course(last - width * (i64::try_from(count).unwrap_or(1) - 1), width, count)
            };
            *latest = Some((Instant::now(), course(DAY)?, course(MONTH)?));
        }
        let (last_day, last_month) = latest.as_ref().map(|(_, day, month)| (day.clone(), month.clone())).unzip();
        let Since { day_utc_ms, month_utc_ms } = since;
        Ok(Past { today: log.energy(day_utc_ms)?, month: log.energy(month_utc_ms)?, last_day, last_month })
    }
}

async fn history(State(shared): State<Arc<Shared>>, Query(since): Query<Since>) -> Response {
    let read = tokio::task::spawn_blocking(move || shared.history.read(since)).await;
    let text = match read {
        Ok(Ok(past)) => serde_json::to_string(&past).ok(),
        Ok(Err(_)) | Err(_) => None,
    };
    match text {
        Some(text) => ([(CONTENT_TYPE, "application/json")], Body::from(text)).into_response(),
        None => (StatusCode::SERVICE_UNAVAILABLE, "What was kept cannot be read now.\n").into_response(),
    }
}
