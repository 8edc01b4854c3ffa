//! The library as a browser calls it: texts go in, JSON comes out. Nothing is computed here.
//!
//! | module | holds |
//! |---|---|
//! | `answers` | what each call answers |
//! | `form` | an installation file as the values of a form |
//!
//! The page that calls it is in `sim/page/web`.

mod answers;
mod form;

use answers::Refusal;
use forewarm::propose::Progress;
use js_sys::Function;
use serde::Serialize;
use std::cell::RefCell;
use wasm_bindgen::prelude::{JsError, JsValue, wasm_bindgen};

thread_local! {
    /// Hears how far a search has come. A search tells everybody the same way, and a page is told here.
    static LISTENER: RefCell<Option<Function>> = const { RefCell::new(None) };
}

/// Answers one page. Every answer but a text is JSON; what the command prints too is the same to the last byte. What is refused is thrown as
/// an error whose message is JSON: `{"problems": […]}`.
#[wasm_bindgen]
#[derive(Default)]
pub struct Desk(answers::Desk);

fn json(answer: &impl Serialize) -> String {
    let mut text = Vec::new();
    // Only a map without texts for keys, or a writer that fails, can be refused.
    let _ = forewarm::json::write(&mut text, answer);
    String::from_utf8(text).unwrap_or_default()
}

fn answered(answer: Result<impl Serialize, Refusal>) -> Result<String, JsError> {
    text(answer.map(|answer| json(&answer)))
}

fn text(answer: Result<String, Refusal>) -> Result<String, JsError> {
    answer.map_err(|refusal| JsError::new(&json(&refusal)))
}

#[wasm_bindgen]
impl Desk {
    /// A desk that remembers nothing yet.
    #[must_use]
    #[wasm_bindgen(constructor)]
    pub fn new() -> Self {
        // A panic stops the module where it is. Its message must not be lost with it.
        std::panic::set_hook(Box::new(|panic| wasm_bindgen::throw_str(&panic.to_string())));
        Self::default()
    }

    /// Cautions, worked examples, version.
    #[must_use]
    pub fn about(&self) -> String {
        json(&answers::about())
    }

    /// The questions about an installation, and the file that their answers make. `example` is the name of one, or empty; `replies` is JSON:
    /// `[[key, answer], …]`.
    ///
    /// # Errors
    /// There is no such example, or the replies are no such JSON.
    pub fn ask(&self, example: &str, replies: &str) -> Result<String, JsError> {
        answered(answers::ask(example, replies))
    }

    /// The text of a file that was read as bytes.
    ///
    /// # Errors
    /// It is no text that an installation file can be.
    pub fn decode(&self, name: &str, bytes: Vec<u8>) -> Result<String, JsError> {
        text(answers::decode(name, bytes))
    }

    /// Keeps a file that an installation names, by the path that it has there.
    pub fn keep(&self, path: &str, bytes: &[u8]) {
        answers::keep(path, bytes);
    }

    /// What is wrong with a file, and its values as a form.
    #[must_use]
    pub fn look(&self, name: &str, text: &str) -> String {
        json(&answers::look(name, text))
    }

    /// The text with other values, and with its comments. `changes` is JSON: `[{"place": […], "key": "…", "value": …}, …]`, with places and
    /// keys of the form; `null` leaves a value out.
    ///
    /// # Errors
    /// The text is no TOML, or a change is of no value that it may have.
    pub fn change(&self, name: &str, text: &str, changes: &str) -> Result<String, JsError> {
        self::text(answers::change(name, text, changes))
    }

    /// The plan, without changes that would mend what it finds.
    ///
    /// # Errors
    /// Whatever is wrong with the file.
    pub fn verdicts(&mut self, name: &str, text: &str) -> Result<String, JsError> {
        answered(self.0.verdicts(name, text))
    }

    /// The plan as the command prints it.
    ///
    /// # Errors
    /// Whatever is wrong with the file.
    pub fn plan(&mut self, name: &str, text: &str) -> Result<String, JsError> {
        answered(self.0.plan(name, text))
    }

    /// The winter of one installation, or of two side by side: the report as the command prints it, and the parts of a page that shows it.
    /// `files` is JSON: `[[name, text], …]`.
    ///
    /// # Errors
    /// Whatever is wrong with a file, or with its weather.
    pub fn winter(&mut self, files: &str) -> Result<String, JsError> {
        answered(self.0.winter(files))
    }

    /// A drawing of how warm the bank is while the heater holds it.
    ///
    /// # Errors
    /// Whatever is wrong with the file.
    pub fn section(&mut self, name: &str, text: &str) -> Result<String, JsError> {
        self::text(self.0.section(name, text))
    }

    /// Installations to choose between, as the command prints them. `extent` is JSON: `{"tries", "trials", "most", "seed"}`. `listener` hears
    /// how many were tried and how many trials were rehearsed: two numbers.
    ///
    /// # Errors
    /// Whatever is wrong with the file, or with its weather.
    pub fn propose(&self, name: &str, text: &str, extent: &str, listener: Function) -> Result<String, JsError> {
        LISTENER.set(Some(listener));
        let answer = answered(answers::propose((name, text), extent, &heard));
        LISTENER.set(None);
        answer
    }

    /// The hand-over document, a page of its own. `by` is who hands it over, or empty.
    ///
    /// # Errors
    /// Whatever is wrong with the file.
    pub fn report(&self, name: &str, text: &str, by: &str) -> Result<String, JsError> {
        self::text(answers::report((name, text), by))
    }
}

fn heard(progress: Progress) {
    let (tried, rehearsed) = match progress {
        Progress::Tried(tried) => (tried, 0),
        Progress::Rehearsed(trials) => (0, trials),
    };
    LISTENER.with_borrow(|listener| {
        let Some(listener) = listener else { return };
        // A page that cannot hear is shown nothing; the search goes on.
        #[expect(clippy::cast_precision_loss, reason = "far below 2⁵³")]
        let _ = listener.call2(&JsValue::NULL, &(tried as f64).into(), &(rehearsed as f64).into());
    });
}
