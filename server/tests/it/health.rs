//! Whether the service says how it is.
//!
//! Promises: asked on every storage, because `readyz` is a question to it.
//! Never asks for more than status and form: a probe reads no further.

use crate::on_every_store;
use crate::world::World;
use serde_json::json;

async fn it_lives_and_is_ready(world: World) {
    for target in ["/healthz", "/readyz"] {
        let answer = world.get(target).await;
        assert_eq!((answer.json(), answer.header("cache-control")), (json!({"status": "ok"}), Some("no-store")));
    }
}

on_every_store! {
    it_lives_and_is_ready
}
