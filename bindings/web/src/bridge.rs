//! What the worker calls: the app over two files of the browser, with JSON and bytes in and out.

use embertally_core::facts::Moment;
use embertally_core::store::StoreError;
use js_sys::{Array, Uint8Array};
use wasm_bindgen::prelude::*;

use crate::app::{App, Now};
use crate::error::Refused;
use crate::store::{Disk, FileStore, Side};

#[wasm_bindgen]
extern "C" {
    /// A file of the origin's private file system, opened for synchronous use (`ui/src/worker/disk.ts`).
    pub type File;
    #[wasm_bindgen(method, catch)]
    fn size(this: &File) -> Result<f64, JsValue>;
    #[wasm_bindgen(method, catch)]
    fn read(this: &File, at: f64, length: f64) -> Result<Uint8Array, JsValue>;
    #[wasm_bindgen(method, catch)]
    fn write(this: &File, at: f64, bytes: &[u8]) -> Result<(), JsValue>;
    #[wasm_bindgen(method, catch)]
    fn cut(this: &File, length: f64) -> Result<(), JsValue>;
    #[wasm_bindgen(method, catch)]
    fn flush(this: &File) -> Result<(), JsValue>;
}

#[wasm_bindgen]
extern "C" {
    #[wasm_bindgen(js_namespace = console, js_name = error)]
    fn complain(text: &str);
}

struct Files([File; 2]);

impl Files {
    fn file(&self, side: Side) -> &File {
        let [a, b] = &self.0;
        match side {
            Side::A => a,
            Side::B => b,
        }
    }
}

/// A browser names its errors; those that a person can do something about keep their class.
fn failed(error: &JsValue) -> StoreError {
    let text = |key: &str| js_sys::Reflect::get(error, &key.into()).ok().and_then(|v| v.as_string());
    let (name, message) = (text("name").unwrap_or_default(), text("message").unwrap_or_default());
    match name.as_str() {
        "QuotaExceededError" => StoreError::Full,
        "NoModificationAllowedError" => StoreError::ReadOnly { reason: message },
        _ => StoreError::Other { reason: format!("{name}: {message}"), source: None },
    }
}

impl Disk for Files {
    fn size(&self, side: Side) -> Result<u64, StoreError> {
        self.file(side).size().map(|n| n as u64).map_err(|e| failed(&e))
    }

    fn read(&self, side: Side, at: u64, length: usize) -> Result<Vec<u8>, StoreError> {
        self.file(side).read(at as f64, length as f64).map(|b| b.to_vec()).map_err(|e| failed(&e))
    }

    fn write(&mut self, side: Side, at: u64, bytes: &[u8]) -> Result<(), StoreError> {
        self.file(side).write(at as f64, bytes).map_err(|e| failed(&e))
    }

    fn cut(&mut self, side: Side, length: u64) -> Result<(), StoreError> {
        self.file(side).cut(length as f64).map_err(|e| failed(&e))
    }

    fn flush(&mut self, side: Side) -> Result<(), StoreError> {
        self.file(side).flush().map_err(|e| failed(&e))
    }
}

fn random_bits() -> u64 {
    let mut bytes = [0; 8];
    match getrandom::fill(&mut bytes) {
        Ok(()) => u64::from_ne_bytes(bytes),
        // Without them no id is safe; the worker ends here and says so.
        Err(error) => wasm_bindgen::throw_str(&format!("this browser gives no random bits: {error}")),
    }
}

fn now(unix_ms: f64, offset_minutes: i16) -> Now {
    Now(Moment { unix_ms: unix_ms as i64, offset_minutes })
}

/// A refusal as the page reads it: `{"code", "text"}`.
fn refused(error: &Refused) -> JsValue {
    JsValue::from_str(&serde_json::to_string(error).unwrap_or_default())
}

/// The log of this browser.
#[wasm_bindgen]
pub struct Desk {
    app: App<FileStore<Files>>,
    store: FileStore<Files>,
}

#[wasm_bindgen]
impl Desk {
    /// Opens the log in two files.
    ///
    /// # Errors
    /// A refusal as JSON.
    #[wasm_bindgen(constructor)]
    pub fn open(a: File, b: File, unix_ms: f64, offset_minutes: i16) -> Result<Desk, JsValue> {
        // Where, and not what: a message may hold what somebody wrote down.
        std::panic::set_hook(Box::new(|info| {
            complain(&info.location().map_or_else(|| "a panic".to_owned(), |at| format!("a panic at {at}")));
        }));
        let open = || {
            let store = FileStore::open(Files([a, b]))?;
            let app = App::open(store.clone(), random_bits, now(unix_ms, offset_minutes))?;
            Ok::<_, Refused>(Desk { app, store })
        };
        open().map_err(|e| refused(&e))
    }

    /// Does one command; see `App::call`.
    ///
    /// # Errors
    /// A refusal as JSON.
    pub fn call(
        &mut self,
        command: &str,
        arguments: &str,
        unix_ms: f64,
        offset_minutes: i16,
    ) -> Result<String, JsValue> {
        self.app.call(command, arguments, now(unix_ms, offset_minutes)).map_err(|e| refused(&e))
    }

    /// Returns everything as one carry file.
    ///
    /// # Errors
    /// A refusal as JSON.
    pub fn carry(&mut self) -> Result<Uint8Array, JsValue> {
        self.app.carry().map(|b| Uint8Array::from(b.as_slice())).map_err(|e| refused(&e))
    }

    /// Takes in a carry file.
    ///
    /// # Errors
    /// A refusal as JSON.
    pub fn absorb(&mut self, file: &[u8], unix_ms: f64, offset_minutes: i16) -> Result<String, JsValue> {
        self.app.absorb(file, now(unix_ms, offset_minutes)).map_err(|e| refused(&e))
    }

    /// Grows with everything that changes what a screen shows.
    #[must_use]
    pub fn revision(&self) -> f64 {
        self.app.revision() as f64
    }

    /// How many bytes the log has on the disk.
    #[must_use]
    pub fn bytes(&self) -> f64 {
        self.store.bytes() as f64
    }

    /// How many bytes on the disk are damaged beyond reading; they are left where they are.
    #[must_use]
    pub fn lost_bytes(&self) -> f64 {
        self.store.lost_bytes() as f64
    }

    /// Begins the conversation with the server.
    ///
    /// # Errors
    /// A refusal as JSON.
    pub fn meet(&mut self, unix_ms: f64, offset_minutes: i16) -> Result<(), JsValue> {
        self.app.meet(now(unix_ms, offset_minutes)).map_err(|e| refused(&e))
    }

    /// Takes a frame from the server.
    ///
    /// # Errors
    /// A refusal as JSON.
    pub fn hear(&mut self, frame: &[u8], unix_ms: f64, offset_minutes: i16) -> Result<(), JsValue> {
        self.app.hear(frame, now(unix_ms, offset_minutes)).map_err(|e| refused(&e))
    }

    /// Lets time pass.
    ///
    /// # Errors
    /// A refusal as JSON.
    pub fn tick(&mut self, unix_ms: f64, offset_minutes: i16) -> Result<(), JsValue> {
        self.app.tick(now(unix_ms, offset_minutes)).map_err(|e| refused(&e))
    }

    /// The socket is gone.
    ///
    /// # Errors
    /// A refusal as JSON.
    pub fn part(&mut self, unix_ms: f64, offset_minutes: i16) -> Result<(), JsValue> {
        self.app.part(now(unix_ms, offset_minutes)).map_err(|e| refused(&e))
    }

    /// Takes the frames that are to be sent.
    #[must_use]
    pub fn frames(&mut self) -> Array {
        self.app.frames().iter().map(|f| JsValue::from(Uint8Array::from(f.as_slice()))).collect()
    }

    /// How the conversation goes, as JSON.
    ///
    /// # Errors
    /// A refusal as JSON.
    pub fn meeting(&self) -> Result<String, JsValue> {
        self.app.meeting().map_err(|e| refused(&e))
    }

    /// Ends the instance as a trap does, for tests of what follows.
    pub fn trap(&self) {
        std::process::abort();
    }
}
