//! A headless browser, driven over the DevTools protocol. Errors that a page reports are gathered, and fail the test at
//! its end.

use forewarm::emulate::leash;
use forewarm_tests::{root, run};
use serde_json::{Value, json};
use std::io::{BufRead, BufReader, ErrorKind};
use std::net::TcpStream;
use std::path::Path;
use std::process::{Child, Command, Stdio};
use std::sync::OnceLock;
use std::thread;
use std::time::Duration;
use tungstenite::{Error, Message, WebSocket};

/// A browser that answers no call for this long hangs.
const PATIENCE: Duration = Duration::from_mins(10);

/// The path of the browser. It is found, and installed if needed, once for all tests.
fn program() -> &'static str {
    static PROGRAM: OnceLock<String> = OnceLock::new();
    PROGRAM.get_or_init(|| run(Command::new(root().join("tests/tools/provide")).arg("browser")).trim().to_owned())
}

/// A browser with one page open.
pub(crate) struct Page {
    browser: Child,
    socket: WebSocket<TcpStream>,
    session: Option<String>,
    calls: u64,
    scripts: bool,
    /// Events of the page that nobody has waited for yet.
    events: Vec<Value>,
    /// Everything that went wrong in the page.
    complaints: Vec<String>,
    folder: tempfile::TempDir,
}

impl Page {
    /// An empty page, `width` by `height`. On a phone it has touch, and two dots to a pixel.
    pub(crate) fn new(width: u32, height: u32, phone: bool) -> Self {
        let folder = tempfile::tempdir().expect("a folder for the browser");
        let mut browser = leash::command(program().as_ref())
            .args(["--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run"])
            .args(["--disable-background-networking", "--disable-component-update", "--disable-sync"])
            .args(["--disable-dev-shm-usage", "--remote-debugging-port=0"])
            .arg(format!("--user-data-dir={}", folder.path().join("profile").display()))
            .arg("about:blank")
            .stdin(Stdio::null())
            .stdout(Stdio::null())
            .stderr(Stdio::piped())
            .spawn()
            .expect("a browser that starts");
        let mut lines = BufReader::new(browser.stderr.take().expect("it was piped")).lines();
        let mut before = String::new();
        let address = loop {
            let line = lines.next().unwrap_or_else(|| panic!("the browser ended at once: {before}"));
            let line = line.expect("text");
            if let Some((_, address)) = line.split_once("listening on ws://") {
                break address.to_owned();
            }
            before += &line;
        };
        // Read everything else that it prints, so that it does not wait for a reader.
        thread::spawn(move || lines.for_each(drop));
        let host = address.split('/').next().expect("split yields at least one");
        let stream = TcpStream::connect(host).expect("a browser that listens");
        stream.set_read_timeout(Some(PATIENCE)).expect("a socket with a time-out");
        let (socket, _) = tungstenite::client(format!("ws://{address}"), stream).expect("a web socket");
        let mut page = Self {
            browser,
            socket,
            session: None,
            calls: 0,
            scripts: true,
            events: Vec::new(),
            complaints: Vec::new(),
            folder,
        };
        let target = page.call("Target.createTarget", &json!({ "url": "about:blank" }));
        let attached = page.call("Target.attachToTarget", &json!({ "targetId": target["targetId"], "flatten": true }));
        page.session = Some(attached["sessionId"].as_str().expect("a session").to_owned());
        for domain in ["Page", "Runtime", "Log"] {
            page.call(&format!("{domain}.enable"), &json!({}));
        }
        let scale = if phone { 2 } else { 1 };
        let metrics = json!({ "width": width, "height": height, "deviceScaleFactor": scale, "mobile": phone });
        page.call("Emulation.setDeviceMetricsOverride", &metrics);
        if phone {
            page.call("Emulation.setTouchEmulationEnabled", &json!({ "enabled": true, "maxTouchPoints": 2 }));
        }
        page
    }

    /// Stops scripts on pages from here on.
    pub(crate) fn disable_scripts(&mut self) {
        self.scripts = false;
        self.call("Emulation.setScriptExecutionDisabled", &json!({ "value": true }));
    }

    /// Opens `html` as a file, and waits until it is loaded and drawn.
    pub(crate) fn open(&mut self, html: &str) {
        let file = self.folder.path().join("page.html");
        std::fs::write(&file, html).expect("a page");
        self.visit(&format!("file://{}", file.display()));
    }

    /// Goes to an address, and waits until what is there is loaded and drawn.
    pub(crate) fn visit(&mut self, url: &str) {
        self.call("Page.navigate", &json!({ "url": url }));
        while !self.events.iter().any(|event| event["method"] == "Page.loadEventFired") {
            self.receive();
        }
        self.events.clear();
        self.settle();
    }

    /// Shows pages as somebody sees them who prefers dark ones.
    pub(crate) fn darken(&mut self) {
        let dark = json!([{ "name": "prefers-color-scheme", "value": "dark" }]);
        self.call("Emulation.setEmulatedMedia", &json!({ "features": dark }));
    }

    /// Waits until an expression in the page is true, which it becomes by what the page does itself.
    pub(crate) fn until(&mut self, expression: &str) {
        let became = self.value(&format!(
            "new Promise(done => {{ const look = tries => {expression} ? done(true) : tries > 0 ? setTimeout(look, 50, tries - 1) : \
             done(document.body.innerText); look(1200); }})"
        ));
        assert_eq!(became, true, "it never became true that {expression}");
    }

    /// The page as markup, read without any script.
    pub(crate) fn document(&mut self) -> String {
        let document = self.call("DOM.getDocument", &json!({}));
        let node = &document["root"]["nodeId"];
        let html = self.call("DOM.getOuterHTML", &json!({ "nodeId": node }));
        html["outerHTML"].as_str().expect("markup").to_owned()
    }

    /// The shown height of an element, read without any script. The element must be visible.
    pub(crate) fn height_of(&mut self, selector: &str) -> f64 {
        let document = self.call("DOM.getDocument", &json!({}));
        let params = json!({ "nodeId": document["root"]["nodeId"], "selector": selector });
        let node = self.call("DOM.querySelector", &params);
        let model = self.call("DOM.getBoxModel", &json!({ "nodeId": node["nodeId"] }));
        model["model"]["height"].as_f64().expect("a height")
    }

    /// Calls a method of the protocol.
    pub(crate) fn call(&mut self, method: &str, params: &Value) -> Value {
        self.calls += 1;
        let id = self.calls;
        let mut call = json!({ "id": id, "method": method, "params": params });
        if let Some(session) = &self.session {
            call["sessionId"] = json!(session);
        }
        self.socket.send(Message::text(call.to_string())).expect("a browser that listens");
        loop {
            if let Some(answer) = self.receive().filter(|answer| answer["id"] == json!(id)) {
                assert!(answer.get("error").is_none(), "{method} {params}: {}", answer["error"]);
                return answer["result"].clone();
            }
        }
    }

    /// The next message, if it answers a call. Events are kept.
    fn receive(&mut self) -> Option<Value> {
        let message = match self.socket.read() {
            Ok(message) => message,
            Err(Error::Io(error)) if error.kind() == ErrorKind::WouldBlock => panic!("the browser hangs"),
            Err(error) => panic!("the browser is gone: {error}"),
        };
        let Message::Text(text) = message else { return None };
        let message: Value = serde_json::from_str(&text).expect("JSON");
        if message.get("id").is_some() {
            return Some(message);
        }
        match message["method"].as_str().unwrap_or_default() {
            "Runtime.exceptionThrown" | "Runtime.consoleAPICalled" | "Log.entryAdded" => {
                self.complaints.push(message["params"].to_string());
            }
            _ => self.events.push(message),
        }
        None
    }

    /// The value of an expression in the page.
    pub(crate) fn value(&mut self, expression: &str) -> Value {
        let params = json!({ "expression": expression, "returnByValue": true, "awaitPromise": true });
        let result = self.call("Runtime.evaluate", &params);
        assert!(result.get("exceptionDetails").is_none(), "{expression}: {}", result["exceptionDetails"]);
        result["result"]["value"].clone()
    }

    pub(crate) fn text(&mut self, expression: &str) -> String {
        self.value(expression).as_str().unwrap_or_else(|| panic!("no text: {expression}")).to_owned()
    }

    pub(crate) fn number(&mut self, expression: &str) -> f64 {
        self.value(expression).as_f64().unwrap_or_else(|| panic!("no number: {expression}"))
    }

    /// Waits until the request is drawn. Without scripts nothing needs drawing.
    pub(crate) fn settle(&mut self) {
        if !self.scripts {
            return;
        }
        self.value("new Promise(done => requestAnimationFrame(() => requestAnimationFrame(() => done(1))))");
    }

    /// A mouse event: `mouseMoved`, `mousePressed`, `mouseReleased`, `mouseWheel`.
    pub(crate) fn mouse(&mut self, what: &str, (x, y): (f64, f64), wheel: f64) {
        let button = if matches!(what, "mousePressed" | "mouseReleased") { "left" } else { "none" };
        let params = json!({
            "type": what, "x": x, "y": y, "button": button, "clickCount": 1, "deltaX": 0, "deltaY": wheel,
        });
        self.call("Input.dispatchMouseEvent", &params);
        self.settle();
    }

    pub(crate) fn click(&mut self, selector: &str) {
        self.value(&format!("document.querySelector({}).click()", json!(selector)));
        self.settle();
    }

    /// A touch event: `touchStart`, `touchMove`, `touchEnd`, with the fingers that are then on the screen.
    pub(crate) fn touch(&mut self, what: &str, fingers: &[(f64, f64)]) {
        let points: Vec<Value> =
            fingers.iter().enumerate().map(|(id, (x, y))| json!({ "x": x, "y": y, "id": id })).collect();
        self.call("Input.dispatchTouchEvent", &json!({ "type": what, "touchPoints": points }));
        self.settle();
    }

    /// Presses a key, with or without Shift. `text` is what it types.
    pub(crate) fn key(&mut self, key: &str, shift: bool) {
        let modifiers = if shift { 8 } else { 0 };
        for what in ["keyDown", "keyUp"] {
            let mut params = json!({ "type": what, "key": key, "modifiers": modifiers });
            if key.chars().count() == 1 && what == "keyDown" {
                params["text"] = json!(key);
            }
            self.call("Input.dispatchKeyEvent", &params);
        }
        self.settle();
    }

    /// Saves a picture of the page under the build folder, for anyone to look at.
    pub(crate) fn photograph(&mut self, name: &str) {
        let shot = self.call("Page.captureScreenshot", &json!({ "captureBeyondViewport": true }));
        keep(&format!("{name}.png"), shot["data"].as_str().expect("a picture"));
        // For the picture the page loses its scroll bar. It becomes wider and draws again, and once more afterwards.
        for _ in 0..2 {
            self.settle();
        }
    }

    /// Prints the page, saves it beside the pictures, and hands back the PDF.
    pub(crate) fn print(&mut self, name: &str) -> Vec<u8> {
        let params = json!({ "preferCSSPageSize": true, "printBackground": false });
        let printed = self.call("Page.printToPDF", &params);
        keep(&format!("{name}.pdf"), printed["data"].as_str().expect("a document"))
    }

    /// Ends the page.
    ///
    /// # Panics
    /// If the page has reported an error.
    pub(crate) fn close(mut self) {
        // All messages so far arrive before the answer.
        self.call("DOM.getDocument", &json!({}));
        assert!(self.complaints.is_empty(), "the page complains: {:#?}", self.complaints);
    }
}

impl Drop for Page {
    fn drop(&mut self) {
        // It may have ended already.
        let _ = self.browser.kill();
        let _ = self.browser.wait();
    }
}

/// Keeps a file that the browser made.
fn keep(name: &str, base64: &str) -> Vec<u8> {
    use base64::Engine;
    let bytes = base64::engine::general_purpose::STANDARD.decode(base64).expect("base64");
    let folder = Path::new(env!("CARGO_TARGET_TMPDIR")).join("pages");
    std::fs::create_dir_all(&folder).expect("a folder for pictures");
    std::fs::write(folder.join(name), &bytes).expect("a picture");
    bytes
}
