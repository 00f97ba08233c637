//! Which media type an answer is wanted in: the `Accept` header (RFC 9110, 12.5.1).
use axum::http::{HeaderMap, header};

/// One range of an `Accept` header with its weight.
struct Range {
    kind: String,
    subtype: String,
    weight: f32,
}

fn ranges(headers: &HeaderMap) -> Vec<Range> {
    let values = headers.get_all(header::ACCEPT).iter().filter_map(|value| value.to_str().ok());
    let ranges = values.flat_map(|value| value.split(',')).filter_map(|range| {
        let mut pieces = range.split(';').map(str::trim);
        let (kind, subtype) = pieces.next()?.split_once('/')?;
        let weight = pieces.find_map(|piece| piece.strip_prefix("q=").or_else(|| piece.strip_prefix("Q=")));
        let weight = weight.map_or(1.0, |weight| weight.parse().unwrap_or(0.0));
        Some(Range { kind: kind.to_ascii_lowercase(), subtype: subtype.to_ascii_lowercase(), weight })
    });
    ranges.collect()
}

/// The weight that the most specific range gives a media type; `None` where no range covers it.
fn weight(ranges: &[Range], media_type: &str) -> Option<f32> {
    let (kind, subtype) = media_type.split_once('/')?;
    let rank = |range: &Range| match (range.kind.as_str(), range.subtype.as_str()) {
        ("*", "*") => Some(0),
        (k, "*") if k == kind => Some(1),
        (k, s) if k == kind && s == subtype => Some(2),
        _ => None,
    };
    let ranked = ranges.iter().filter_map(|range| Some((rank(range)?, range.weight)));
    ranked.max_by_key(|(rank, _)| *rank).map(|(_, weight)| weight)
}

/// The offered media type that is wanted most; among equals the first one. Without the header: the first one. `None`: none will do.
#[must_use]
pub fn best<'a>(headers: &HeaderMap, offers: &[&'a str]) -> Option<&'a str> {
    let ranges = ranges(headers);
    if ranges.is_empty() {
        return offers.first().copied();
    }
    let mut best: Option<(&str, f32)> = None;
    for offer in offers {
        let weight = weight(&ranges, offer).unwrap_or(0.0);
        if weight > best.map_or(0.0, |(_, most)| most) {
            best = Some((offer, weight));
        }
    }
    best.map(|(offer, _)| offer)
}

/// Whether a media type is asked for by its own name, not by a wildcard.
#[must_use]
pub fn names(headers: &HeaderMap, media_type: &str) -> bool {
    ranges(headers).iter().any(|range| range.weight > 0.0 && media_type.split_once('/') == Some((&range.kind, &range.subtype)))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn accept(text: &str) -> HeaderMap {
        HeaderMap::from_iter([(header::ACCEPT, text.parse().unwrap())])
    }

    #[test]
    fn the_most_wanted_type_is_given() {
        let offers = ["application/json", "text/html", "application/pdf"];
        for (wanted, given) in [
            ("*/*", Some("application/json")),
            ("text/html,application/xhtml+xml,application/xml;q=0.9,*/*;q=0.8", Some("text/html")),
            ("application/pdf", Some("application/pdf")),
            ("text/*;q=0.3, text/html;q=0.7, */*;q=0.5", Some("text/html")),
            ("application/json;q=0, */*;q=0.1", Some("text/html")),
            ("Text/HTML; charset=utf-8", Some("text/html")),
            ("image/png", None),
            ("application/json;q=0", None),
        ] {
            assert_eq!(best(&accept(wanted), &offers), given, "{wanted}");
        }
        assert_eq!(best(&HeaderMap::new(), &offers), Some("application/json"));
    }

    #[test]
    fn a_wildcard_names_nothing() {
        assert!(names(&accept("image/*, application/json"), "application/json"));
        assert!(!names(&accept("application/*, */*"), "application/json"));
        assert!(!names(&accept("application/json;q=0"), "application/json"));
    }
}
