//! Reads the body of a request within its limits.
//!
//! Promises: never holds more than the limit and one step; a body that is too slow, too large, or a bomb is refused
//! while it arrives. Only `gzip`, once, and only where the contract allows it.

use crate::app::Refusal;
use crate::limits::{BODY_DEADLINE, BODY_WINDOW, BODY_WINDOW_BYTES_MIN, INFLATE_STEP_BYTES};
use actix_web::HttpRequest;
use actix_web::http::header::{CONTENT_ENCODING, CONTENT_LENGTH, CONTENT_TYPE, HeaderMap, HeaderName};
use actix_web::web::Payload;
use flate2::bufread::GzDecoder;
use futures_util::StreamExt as _;
use pintle_openapi::endpoints::files::BYTES_MEDIA;
use pintle_openapi::{BodyForm, Problem};
use std::io::Read as _;
use std::pin::pin;
use std::time::Duration;

/// How slow a body may come.
#[derive(Debug, Clone, Copy)]
pub struct BodyPace {
    /// All of it must be there within this time.
    pub whole: Duration,
    /// In each such stretch some of it must come,
    pub window: Duration,
    /// at least so many bytes.
    pub window_bytes_min: usize,
}

impl Default for BodyPace {
    fn default() -> Self {
        Self { whole: BODY_DEADLINE, window: BODY_WINDOW, window_bytes_min: BODY_WINDOW_BYTES_MIN }
    }
}

enum Encoding {
    Identity,
    Gzip,
}

/// The body's JSON bytes, inflated.
pub(super) async fn read(
    request: &HttpRequest,
    payload: Payload,
    form: BodyForm,
    pace: BodyPace,
) -> Result<Vec<u8>, Refusal> {
    let (bytes_max, inflated_bytes_max) = match form {
        BodyForm::None => return Ok(Vec::new()),
        BodyForm::Plain { bytes_max } | BodyForm::Document { bytes_max } | BodyForm::Bytes { bytes_max } => {
            (bytes_max, bytes_max)
        }
        BodyForm::Gzip { bytes_max, inflated_bytes_max } => (bytes_max, inflated_bytes_max),
    };
    let headers = request.headers();
    check_media(headers, form)?;
    let encoding = encoding(headers, form)?;
    let bytes_max = match encoding {
        Encoding::Identity => inflated_bytes_max,
        Encoding::Gzip => bytes_max,
    };
    let declared = single(headers, CONTENT_LENGTH)?.and_then(|length| length.parse::<u64>().ok());
    if declared.is_some_and(|length| length > bytes_max as u64) {
        return Err(too_large(bytes_max));
    }
    let arrived = tokio::time::timeout(pace.whole, collect(payload, bytes_max, pace)).await;
    let bytes = arrived.map_err(|_| Refusal::of(Problem::RequestTimeout))??;
    match encoding {
        Encoding::Identity => Ok(bytes),
        Encoding::Gzip => inflate(&bytes, inflated_bytes_max),
    }
}

/// The one value of a header; none if it is absent.
pub(super) fn single(headers: &HeaderMap, name: HeaderName) -> Result<Option<&str>, Refusal> {
    let bad = |detail: &str| Refusal::of(Problem::BadHeader).parameter(name.as_str()).detail(detail);
    let mut values = headers.get_all(&name);
    let Some(value) = values.next() else { return Ok(None) };
    if values.next().is_some() {
        return Err(bad("the header is there more than once"));
    }
    value.to_str().map(Some).map_err(|_| bad("the header holds characters beyond ASCII"))
}

/// The text of a document of another standard.
pub(super) fn text(bytes: &[u8]) -> Result<String, Refusal> {
    let not_utf8 = |_| Refusal::of(Problem::MalformedDocument).detail("the document is not UTF-8");
    std::str::from_utf8(bytes).map(str::to_owned).map_err(not_utf8)
}

fn check_media(headers: &HeaderMap, form: BodyForm) -> Result<(), Refusal> {
    let media = single(headers, CONTENT_TYPE)?.unwrap_or_default();
    let (essence, parameters) = media.split_once(';').unwrap_or((media, ""));
    let charset = parameters.trim();
    let utf8 = charset.is_empty() || charset.eq_ignore_ascii_case("charset=utf-8");
    let taken: &[&str] = match form {
        BodyForm::Document { .. } => &["application/json", "application/xml", "text/xml"],
        BodyForm::Bytes { .. } => &[BYTES_MEDIA],
        BodyForm::None | BodyForm::Plain { .. } | BodyForm::Gzip { .. } => &["application/json"],
    };
    if taken.iter().any(|media| essence.trim().eq_ignore_ascii_case(media)) && utf8 {
        return Ok(());
    }
    Err(Refusal::of(Problem::UnsupportedMediaType).parameter("Content-Type"))
}

fn encoding(headers: &HeaderMap, form: BodyForm) -> Result<Encoding, Refusal> {
    let named = single(headers, CONTENT_ENCODING)?.unwrap_or("identity").trim().to_ascii_lowercase();
    match (named.as_str(), form) {
        ("identity" | "", _) => Ok(Encoding::Identity),
        ("gzip", BodyForm::Gzip { .. }) => Ok(Encoding::Gzip),
        _ => Err(Refusal::of(Problem::UnsupportedEncoding).parameter("Content-Encoding")),
    }
}

fn too_large(bytes_max: usize) -> Refusal {
    Refusal::of(Problem::PayloadTooLarge).detail(format!("at most {bytes_max} bytes"))
}

async fn collect(mut payload: Payload, bytes_max: usize, pace: BodyPace) -> Result<Vec<u8>, Refusal> {
    let mut bytes = Vec::new();
    let mut window = pin!(tokio::time::sleep(pace.window));
    let mut window_began = 0;
    loop {
        let chunk = tokio::select! {
            chunk = payload.next() => chunk,
            () = &mut window => {
                if bytes.len() - window_began < pace.window_bytes_min {
                    return Err(Refusal::of(Problem::RequestTimeout));
                }
                window_began = bytes.len();
                window.set(tokio::time::sleep(pace.window));
                continue;
            }
        };
        let Some(chunk) = chunk else { return Ok(bytes) };
        let chunk = chunk.map_err(|error| {
            let detail = "the body ended before its announced length, or is not framed as HTTP wants it";
            Refusal::of(Problem::MalformedJson).detail(detail).inside(error)
        })?;
        if bytes.len() + chunk.len() > bytes_max {
            return Err(too_large(bytes_max));
        }
        bytes.extend_from_slice(&chunk);
    }
}

/// Inflates one gzip member, step by step, so that a bomb is refused after one step too many.
fn inflate(bytes: &[u8], bytes_max: usize) -> Result<Vec<u8>, Refusal> {
    let broken = || Refusal::of(Problem::MalformedJson).detail("the body is not the one gzip member its header says");
    let mut decoder = GzDecoder::new(bytes);
    let mut inflated = Vec::new();
    let mut step = [0; INFLATE_STEP_BYTES];
    loop {
        let count = decoder.read(&mut step).map_err(|_| broken())?;
        if count == 0 {
            break;
        }
        if inflated.len() + count > bytes_max {
            return Err(too_large(bytes_max));
        }
        inflated.extend_from_slice(&step[..count]);
    }
    if decoder.into_inner().is_empty() { Ok(inflated) } else { Err(broken()) }
}

#[cfg(test)]
mod tests {
    use super::*;
    use flate2::Compression;
    use flate2::write::GzEncoder;
    use std::io::Write as _;

    fn gzip(bytes: &[u8]) -> Vec<u8> {
        let mut encoder = GzEncoder::new(Vec::new(), Compression::best());
        encoder.write_all(bytes).expect("in memory");
        encoder.finish().expect("in memory")
    }

    #[test]
    fn inflates_up_to_the_limit_and_not_one_byte_more() {
        let bytes = vec![b' '; 100_000];
        assert_eq!(inflate(&gzip(&bytes), 100_000).expect("fits"), bytes);
        assert_eq!(inflate(&gzip(&bytes), 99_999).expect_err("too large").problem, Problem::PayloadTooLarge);
    }

    #[test]
    fn a_bomb_is_refused_without_being_held() {
        let bomb = gzip(&vec![0; 200 << 20]);
        assert!(bomb.len() < 256 * 1024, "{}", bomb.len());
        assert_eq!(inflate(&bomb, 2 << 20).expect_err("a bomb").problem, Problem::PayloadTooLarge);
    }

    #[test]
    fn refuses_what_is_not_one_whole_member() {
        let whole = gzip(b"{}");
        let twice = [&whole[..], &whole].concat();
        let trailing = [&whole[..], b"x"].concat();
        for bad in [b"{}".as_slice(), &[], &whole[..whole.len() - 1], &twice, &trailing] {
            assert_eq!(inflate(bad, 1000).expect_err("broken").problem, Problem::MalformedJson, "{bad:?}");
        }
    }

    type Chunk = Result<actix_web::web::Bytes, actix_web::error::PayloadError>;

    async fn read_stream(chunks: impl futures_util::Stream<Item = Chunk> + 'static) -> Result<Vec<u8>, Refusal> {
        let request = actix_web::test::TestRequest::post().insert_header((CONTENT_TYPE, "application/json"));
        let stream: std::pin::Pin<Box<dyn futures_util::Stream<Item = Chunk>>> = Box::pin(chunks);
        let mut payload = actix_web::dev::Payload::from(stream);
        let request = request.to_http_request();
        let payload =
            <Payload as actix_web::FromRequest>::from_request(&request, &mut payload).await.expect("a payload");
        read(&request, payload, BodyForm::Plain { bytes_max: 100 }, BodyPace::default()).await
    }

    #[actix_web::test]
    async fn a_body_that_takes_too_long_is_refused() {
        tokio::time::pause();
        let begun = futures_util::stream::iter([Ok(actix_web::web::Bytes::from_static(b"{"))]);
        let never = begun.chain(futures_util::stream::pending());
        assert_eq!(read_stream(never).await.expect_err("too slow").problem, Problem::RequestTimeout);
        let dripping = futures_util::stream::unfold((), |()| async {
            tokio::time::sleep(std::time::Duration::from_secs(1)).await;
            Some((Ok(actix_web::web::Bytes::from_static(b" ")), ()))
        });
        assert_eq!(read_stream(dripping).await.expect_err("dripping").problem, Problem::RequestTimeout);
    }

    #[actix_web::test]
    async fn a_body_without_a_length_is_bounded_too() {
        let chunk = || Ok(actix_web::web::Bytes::from_static(&[b' '; 60]));
        let endless = futures_util::stream::repeat_with(chunk);
        assert_eq!(read_stream(endless).await.expect_err("endless").problem, Problem::PayloadTooLarge);
        let broken = futures_util::stream::iter([chunk(), Err(actix_web::error::PayloadError::Incomplete(None))]);
        assert_eq!(read_stream(broken).await.expect_err("broken").problem, Problem::MalformedJson);
    }
}
