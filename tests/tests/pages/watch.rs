//! The page of `forewarm listen --serve`, for telemetry that a test makes up.

use super::browser::Page;
use forewarm::fingerprint;
use forewarm::installation::Installation;
use forewarm::service::heard::Identity;
use forewarm::service::listen::{Said, Show, utc_ms};
use forewarm::service::store::{Absence, Store};
use forewarm::watch::place::Place;
use forewarm::watch::serve::Server;
use forewarm::watch::token::Token;
use forewarm::watch::view::Names;
use forewarm::watch::watcher::Watcher;
use forewarm_core::fault::{ChannelFault, SystemFault};
use forewarm_core::journal::Counters;
use forewarm_core::quantity::{Celsius, Fraction, Instant, Millivolts};
use forewarm_core::settings::MAX_CHANNELS;
use forewarm_core::signals::{Alarm, Cause, Line, Outputs, Relay, Sources, State};
use forewarm_core::wire::record;
use forewarm_core::wire::service::{Origin, Telemetry};
use forewarm_tests::root;
use serde_json::Value;
use std::ops::ControlFlow;

/// Somebody who looks at nothing.
struct Nobody;

impl Show for Nobody {
    fn show(&mut self, _: &Said<'_>) -> ControlFlow<()> {
        ControlFlow::Continue(())
    }
}

/// A served page, and the hand of whoever tells it what is heard.
struct Desk {
    watcher: Watcher<Nobody>,
    server: Server,
    installation: Installation,
    identity: Identity,
    _folder: tempfile::TempDir,
}

const MINUTE_MS: i64 = 60_000;

/// What a controller might say so many minutes before now: colder by night, and warmed by the second source each morning.
fn before(minutes: i64) -> Telemetry {
    let hour = (40_000_000 - minutes) % 1440 / 60;
    let warms = (6..10).contains(&hour);
    let permits = (10..16).contains(&hour);
    #[expect(clippy::cast_precision_loss, clippy::cast_possible_truncation, reason = "an invented temperature")]
    let coldest =
        ((4.0 + 5.0 * (minutes as f64 / 230.0).sin() + 2.0 * (minutes as f64 / 4000.0).cos()) * 1000.0) as i32;
    let mut now = at(coldest);
    now.now = Instant::from_millis(u32::try_from((45_000 - minutes) * MINUTE_MS).expect("49 days fit"));
    now.outputs.heater = if warms { Relay::Closed } else { Relay::Open };
    now.outputs.charge = if permits { Relay::Closed } else { Relay::Open };
    now
}

/// The state of things in the cold, with nothing wrong.
fn at(coldest_mdegc: i32) -> Telemetry {
    let mut readings = [None; MAX_CHANNELS];
    for (reading, above) in readings.iter_mut().zip([900, 0, 12_400, 2_300]) {
        *reading = Some(Celsius::from_millidegrees(coldest_mdegc + above));
    }
    let mut outputs = Outputs::all_off(SystemFault::ClockJumped);
    outputs.faults = forewarm_core::fault::Faults::NONE;
    outputs.alarm = Alarm::Quiet;
    outputs.state = State::Warming;
    outputs.cause = Cause::CellsCold;
    outputs.heater = Relay::Closed;
    Telemetry {
        now: Instant::from_millis(0),
        readings,
        supply: Some(Millivolts::from_millivolts(13_620)),
        bank: Some(Millivolts::from_millivolts(13_150)),
        state_of_charge: Some(Fraction::from_per_mille(640)),
        sources: Sources::NONE.with(0),
        charge_line: Line::Allowed,
        discharge_line: Line::Allowed,
        outputs,
        frames_dropped: 0,
        events_dropped: 0,
    }
}

/// Totals after so many minutes.
fn totals(minutes: i64) -> Counters {
    let joules = u64::try_from(minutes).expect("after the start") * 1_500_000_000;
    Counters {
        source_energy_uj: [joules, joules / 3, 0, 0],
        bank_energy_uj: joules / 9,
        heater_on_ms: joules / 60_000,
        ..Counters::default()
    }
}

impl Desk {
    /// With so many days kept.
    fn new(days: i64, token: Option<Token>) -> Self {
        let installation =
            Installation::load(&root().join("sim/demo/hut.toml")).expect("the demonstration passes its check");
        let folder = tempfile::tempdir().expect("a folder");
        let path = folder.path().join("log.sqlite");
        let identity = Identity {
            version: "1.2.3".to_owned(),
            board: "bench".to_owned(),
            settings: Ok(fingerprint::of(&installation.settings)),
            caution: "This controls an additional layer, never the only one.".to_owned(),
        };
        let mut store = Store::open(&path).expect("a new file");
        let mut room = [0; record::MAX_BYTES];
        let record = record::encode(&installation.settings, &mut room).expect("settings fit");
        store.settings(Origin::Stored, record, utc_ms()).expect("room");
        store.meet(&identity, &[]).expect("room");
        let now = utc_ms();
        store.started(Some(&identity), now - days * 1440 * MINUTE_MS);
        // Every tenth minute: a disk that keeps each row for good takes its time.
        for minutes in (0..days * 144).rev().map(|tenth| tenth * 10) {
            let at = days * 1440 - minutes;
            store.telemetry(at * MINUTE_MS, &before(minutes), now - minutes * MINUTE_MS).expect("room");
            if minutes % 60 == 0 {
                store.totals(&totals(at), now - minutes * MINUTE_MS).expect("room");
            }
        }
        drop(store);
        let watcher = Watcher::new(Nobody, Some(Names::of(&installation)));
        let place = Place::open("127.0.0.1:0", token).expect("a free port");
        let server = Server::start(place, watcher.views(), path).expect("a thread");
        Self { watcher, server, installation, identity, _folder: folder }
    }

    fn say(&mut self, said: &Said<'_>) {
        let _ = self.watcher.show(said);
    }

    fn connect(&mut self) {
        let identity = self.identity.clone();
        self.say(&Said::Connected { utc_ms: utc_ms(), identity: &identity, since: None });
    }

    fn tell(&mut self, telemetry: &Telemetry) {
        let settings = self.installation.settings.clone();
        let said = Said::Telemetry { utc_ms: utc_ms(), at_ms: 0, telemetry, settings: Some(&*settings), changed: true };
        let _ = self.watcher.show(&said);
    }

    fn url(&self) -> String {
        format!("http://{}/", self.server.address())
    }
}

fn text(page: &mut Page, id: &str) -> String {
    page.text(&format!("document.getElementById('{id}').textContent"))
}

fn shows(page: &mut Page, id: &str, what: &str) {
    page.until(&format!("document.getElementById('{id}').textContent.includes({})", Value::from(what)));
}

#[test]
fn a_watcher_sees_what_the_controller_says_and_each_change_of_it() {
    let mut desk = Desk::new(1, None);
    let mut page = Page::new(1280, 900, false);
    page.visit(&desk.url());
    assert!(text(&mut page, "age").starts_with("Waiting"));
    desk.connect();
    desk.tell(&at(-4_210));
    shows(&mut page, "coldest", "−4.2");
    assert_eq!(text(&mut page, "where"), desk.installation.channels[1].replace('_', " "));
    assert_eq!(text(&mut page, "charge"), "✕ refused");
    assert_eq!(text(&mut page, "why"), "The coldest cell is at or below the inhibit threshold.");
    assert_eq!(text(&mut page, "heater"), "on");
    assert_eq!(text(&mut page, "faults"), "None.");
    assert!(text(&mut page, "readings").contains("64 %") && text(&mut page, "readings").contains("13.15 V"));
    assert!(text(&mut page, "caution").contains("This controls an additional layer, never the only one."));
    // Who pays is seen from the totals.
    desk.say(&Said::Totals { utc_ms: utc_ms(), totals: &totals(10) });
    let mut more = totals(10);
    more.source_energy_uj[0] += 1;
    desk.say(&Said::Totals { utc_ms: utc_ms(), totals: &more });
    let first = desk.installation.sources[0].replace('_', " ");
    shows(&mut page, "paid", &format!("Paid by {first}."));
    // A change of the permit, and a fault with what to do about it.
    let mut now = at(9_000);
    now.outputs.charge = Relay::Closed;
    now.outputs.full = Relay::Closed;
    now.outputs.heater = Relay::Open;
    now.outputs.state = State::Permitting;
    now.outputs.cause = Cause::Soaked;
    now.outputs.faults.channels[3] = Some(ChannelFault::Open);
    desk.tell(&now);
    shows(&mut page, "charge", "✓ permitted");
    assert_eq!(text(&mut page, "paid"), "Nobody pays.");
    let facts = ChannelFault::Open.facts();
    assert!(text(&mut page, "faults").contains(&format!("Check first: {}.", facts.check_first)));
    assert!(text(&mut page, "faults").contains(facts.meaning));
    // Whoever does not see the page is told of both.
    for id in ["charge", "faults"] {
        let live = page.value(&format!(
            "document.getElementById('{id}').closest('[role=status], [role=alert], [aria-live]') !== null"
        ));
        assert_eq!(live, true, "{id} changes without a word");
    }
    page.close();
}

#[test]
fn an_old_word_cannot_be_missed() {
    let mut desk = Desk::new(1, None);
    let mut page = Page::new(360, 740, true);
    desk.connect();
    desk.tell(&at(-4_210));
    page.visit(&desk.url());
    shows(&mut page, "coldest", "−4.2");
    assert_eq!(text(&mut page, "stale"), "");
    page.value("Date.now = (now => () => now() + 300_000)(Date.now)");
    shows(&mut page, "stale", "No word from the controller. What stands below is old.");
    shows(&mut page, "how-old", "5 min old");
    shows(&mut page, "age", "Last word 5 min ago");
    page.photograph("watch_stale");
    // A new word ends it.
    desk.tell(&at(-4_000));
    page.until("document.getElementById('stale').textContent === ''");
    desk.say(&Said::Lost { utc_ms: utc_ms(), because: Absence::Unplugged, detail: "no such device".to_owned() });
    shows(&mut page, "stale", "The line had vanished: no such device.");
    assert_eq!(page.value("document.body.classList.contains('stale')"), true);
    // A controller that is there again has not said yet how things stand. The totals show that the page has heard of it.
    desk.connect();
    desk.say(&Said::Totals { utc_ms: utc_ms(), totals: &totals(10) });
    let mut more = totals(10);
    more.bank_energy_uj += 1;
    desk.say(&Said::Totals { utc_ms: utc_ms(), totals: &more });
    shows(&mut page, "paid", "Paid by the bank.");
    shows(&mut page, "stale", "The line had vanished: no such device.");
    desk.tell(&at(-4_100));
    page.until("document.getElementById('stale').textContent === ''");
    page.close();
}

#[test]
fn a_page_says_that_the_line_is_lost_before_there_is_anything_to_show() {
    let mut desk = Desk::new(1, None);
    let mut page = Page::new(360, 740, true);
    desk.connect();
    desk.say(&Said::Lost { utc_ms: utc_ms(), because: Absence::Unplugged, detail: "no such device".to_owned() });
    page.visit(&desk.url());
    shows(&mut page, "stale", "No word from the controller. The line had vanished: no such device.");
    page.close();
}

#[test]
fn a_page_that_has_lost_the_listener_says_so() {
    let mut desk = Desk::new(1, None);
    let mut page = Page::new(360, 740, true);
    desk.connect();
    desk.tell(&at(-4_210));
    page.visit(&desk.url());
    shows(&mut page, "coldest", "−4.2");
    drop(desk);
    shows(&mut page, "stale", "No connection to the computer that listens.");
    // The browser itself complains of the connection. That is as it should be, so the page is not closed.
}

#[test]
fn the_page_asks_for_the_token_once() {
    let token = "sixteen letters!";
    let mut desk = Desk::new(1, Some(Token::read(token).expect("long enough")));
    desk.connect();
    desk.tell(&at(-4_210));
    let mut page = Page::new(360, 740, true);
    page.visit(&desk.url());
    page.until("!document.getElementById('door').hidden");
    assert_eq!(page.value("document.getElementById('shown').hidden"), true);
    let enter = |page: &mut Page, what: &str| {
        page.value(&format!("document.getElementById('token').value = '{what}'"));
        page.click("#door button");
    };
    enter(&mut page, "another sixteen!");
    shows(&mut page, "refused", "That is not the token.");
    page.photograph("watch_token");
    enter(&mut page, token);
    shows(&mut page, "coldest", "−4.2");
    assert_eq!(page.text("location.href"), desk.url());
    assert_eq!(page.text("document.cookie"), "", "no script reads it");
    page.visit(&desk.url());
    shows(&mut page, "coldest", "−4.2");
    assert_eq!(page.value("document.getElementById('door').hidden"), true);
    // The browser notes each answer that keeps it out, so the page is not closed.
}

#[test]
fn everything_fits_on_a_phone_and_on_a_desk_by_day_and_by_night() {
    let mut desk = Desk::new(30, None);
    desk.connect();
    let mut now = at(-4_210);
    now.outputs.alarm = Alarm::Sounding;
    now.outputs.faults.channels[3] = Some(ChannelFault::Open);
    now.outputs.faults = now.outputs.faults.with_system(SystemFault::BankBelowReserve);
    desk.tell(&now);
    for (width, height, phone) in [(360, 740, true), (1280, 900, false)] {
        for is_dark in [false, true] {
            let mut page = Page::new(width, height, phone);
            if is_dark {
                page.darken();
            }
            page.visit(&desk.url());
            shows(&mut page, "coldest", "−4.2");
            page.until("document.querySelectorAll('#month .range').length > 0");
            shows(&mut page, "energy", "Wh");
            page.settle();
            let over = page.number("document.documentElement.scrollWidth - innerWidth");
            assert!(over <= 0.0, "{over} dots stick out at {width}");
            let light = if is_dark { "dark" } else { "light" };
            page.photograph(&format!("watch_{width}_{light}"));
            page.close();
        }
    }
}
