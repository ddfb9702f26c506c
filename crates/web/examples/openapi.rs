//! Prints the API's description, to renew the committed copy:
//! `cargo run -p notchwatch-web --example openapi > crates/web/openapi.json`

use std::io::Write;

fn main() -> std::io::Result<()> {
    std::io::stdout().write_all(notchwatch_web::openapi().as_bytes())
}
