//! Writes the Kotlin, Swift and Python sources out of the built library.

fn main() {
    uniffi::uniffi_bindgen_main();
}
