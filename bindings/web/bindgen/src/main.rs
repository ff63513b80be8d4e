//! `embertally-web-bindgen IN.wasm OUT_DIR`: writes the JavaScript module and its types beside the finished WebAssembly.

use std::process::ExitCode;

use wasm_bindgen_cli_support::Bindgen;

fn main() -> ExitCode {
    let mut arguments = std::env::args().skip(1);
    let (Some(input), Some(output)) = (arguments.next(), arguments.next()) else {
        eprintln!("embertally-web-bindgen IN.wasm OUT_DIR");
        return ExitCode::from(2);
    };
    let mut bindgen = Bindgen::new();
    bindgen.input_path(input).typescript(true).omit_default_module_path(false).remove_name_section(true).remove_producers_section(true);
    let written = bindgen.web(true).and_then(|b| b.generate(&output));
    match written {
        Ok(()) => ExitCode::SUCCESS,
        Err(error) => {
            eprintln!("{error:#}");
            ExitCode::FAILURE
        }
    }
}
