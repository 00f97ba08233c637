//! The second factor: set up, asked for, refused when seen before, lost and switched off.
use time::Duration;
use witnessmark::access::totp;

use crate::{
    harness::{Server, database::PASSWORD, on_both_engines, server::now},
    reader::{Page, Reader},
};

const EMAIL: &str = "first@example.org";

/// Base 32 back to bytes, written apart from the server's own.
fn bytes(base32: &str) -> Vec<u8> {
    let letters = base32.chars().filter(|letter| !letter.is_whitespace());
    let values = letters.map(|letter| "ABCDEFGHIJKLMNOPQRSTUVWXYZ234567".find(letter).expect("base 32"));
    let bits: Vec<_> = values.flat_map(|value| (0..5).rev().map(move |place| u8::from(value >> place & 1 == 1))).collect();
    bits.chunks_exact(8).map(|bits| bits.iter().fold(0, |byte, bit| byte << 1 | bit)).collect()
}
/// The code of an authenticator whose clock is off by some seconds.
fn code(secret: &[u8], off: i64) -> String {
    totp::code(secret, totp::step(now().unix_timestamp() + off), 6)
}
/// The code of this moment.
pub fn code_now(secret: &[u8]) -> String {
    code(secret, 0)
}
/// Sets up a second factor for the first workshop's manager; gives the secret and the recovery codes.
pub async fn set_up(reader: &Reader) -> (Vec<u8>, Vec<String>) {
    let page = reader.get("/account/second-factor").await;
    page.says("<svg class=\"qr\"").says("role=\"img\"");
    let secret = bytes(&page.inside("secret"));
    assert_eq!(secret.len(), 20);
    // The code that confirms it is of the step before, so that the one of now is still good.
    let page = reader.send("/account/second-factor", &[("password", PASSWORD), ("code", &code(&secret, -30))]).await;
    assert_eq!((page.status, page.header("cache-control")), (200, "no-store"), "{}", page.text);
    let codes: Vec<_> = page.text.split("<li>").skip(1).map(|part| part.split('<').next().unwrap().to_owned()).collect();
    assert_eq!(codes.len(), 10);
    (secret, codes)
}
/// The first step with the right password: the browser stands before the second one.
pub async fn half_way(server: &Server) -> Reader {
    let reader = Reader::new(server);
    let page = reader.send("/sign-in", &[("email", EMAIL), ("password", PASSWORD), ("next", "/motorcycles")]).await;
    assert_eq!((page.status, page.location()), (303, "/sign-in/code?next=%2Fmotorcycles"), "{}", page.text);
    assert!(!page.cookie("half").is_empty() && page.cookie("session").is_empty());
    reader
}
pub async fn second(reader: &Reader, code: &str) -> Page {
    reader.send("/sign-in/code", &[("code", code), ("next", "/motorcycles")]).await
}

on_both_engines!(it_is_asked_for_once_it_was_confirmed, async |server| {
    let reader = Reader::signed_in(&server).await;
    reader.get("/account/second-factor").await;
    // Begun and not confirmed: nothing is asked yet.
    Reader::signed_in(&server).await;
    let secret = bytes(&reader.get("/account/second-factor").await.inside("secret"));
    let wrong = reader.send("/account/second-factor", &[("password", PASSWORD), ("code", "000000")]).await;
    assert_eq!(wrong.status, 422);
    wrong.says("does not fit");
    let stranger = reader.send("/account/second-factor", &[("password", "not the right one"), ("code", &code(&secret, 0))]).await;
    assert_eq!(stranger.status, 422);
    let elsewhere = Reader::signed_in(&server).await;
    set_up(&reader).await;
    assert_eq!((reader.get("/motorcycles").await.status, elsewhere.get("/motorcycles").await.status), (200, 303));
    let half = half_way(&server).await;
    assert_eq!(half.get("/motorcycles").await.status, 303, "half a sign-in opens nothing");
    half.get("/sign-in/code").await.says("The second step");
    let page = second(&half, &code(&secret, 0)).await;
    assert_eq!((page.status, page.location()), (303, "/motorcycles"));
    assert_eq!(half.get("/motorcycles").await.status, 200);
});

on_both_engines!(a_code_is_good_once_and_for_a_clock_that_is_a_little_off, async |server| {
    let (secret, _) = set_up(&Reader::signed_in(&server).await).await;
    let (first, again) = (half_way(&server).await, half_way(&server).await);
    for (off, good) in [(-60, false), (60, false)] {
        assert_eq!(second(&first, &code(&secret, off)).await.status == 303, good, "{off}");
    }
    assert_eq!(second(&first, &code(&secret, 0)).await.status, 303);
    let replayed = second(&again, &code(&secret, 0)).await;
    assert_eq!(replayed.status, 422);
    replayed.says("used already");
    // The clock of the phone is half a minute ahead.
    assert_eq!(second(&again, &code(&secret, 30)).await.status, 303);
    // And that step is used up: the same browser cannot be sent back to it.
    assert_eq!(second(&again, &code(&secret, 30)).await.status, 401);
});

on_both_engines!(the_step_between_password_and_code_lasts_ten_minutes, async |server| {
    let (secret, _) = set_up(&Reader::signed_in(&server).await).await;
    let half = half_way(&server).await;
    let later = server.at(now() + Duration::minutes(10)).await;
    let page = second(&half.at(&later), &code(&secret, 600)).await;
    assert_eq!(page.status, 401);
    page.says("sign in again");
    assert_eq!(second(&Reader::new(&server), &code(&secret, 0)).await.status, 401, "without the first step");
});

on_both_engines!(guesses_at_codes_slow_down, async |server| {
    let (secret, _) = set_up(&Reader::signed_in(&server).await).await;
    let half = half_way(&server).await;
    for _ in 0..3 {
        assert_eq!(second(&half, "000000").await.status, 422);
    }
    let page = second(&half, &code(&secret, 0)).await;
    assert_eq!((page.status, page.header("retry-after")), (429, "1"));
    let later = server.at(now() + Duration::seconds(1)).await;
    assert_eq!(second(&half.at(&later), &code(&secret, 0)).await.status, 303);
});

on_both_engines!(a_recovery_code_lets_in_once, async |server| {
    let reader = Reader::signed_in(&server).await;
    let (_, codes) = set_up(&reader).await;
    reader.get("/account/second-factor").await.hides(&codes[0]).says("10 of your recovery codes");
    let typed = codes[3].to_uppercase().replace('-', " ");
    assert_eq!(second(&half_way(&server).await, &typed).await.status, 303);
    assert_eq!(second(&half_way(&server).await, &codes[3]).await.status, 422);
    reader.get("/account").await.says("9 of your recovery codes");
    // New ones end the old ones.
    assert_eq!(reader.send("/account/second-factor/recovery-codes", &[("password", "not the right one")]).await.status, 422);
    let page = reader.send("/account/second-factor/recovery-codes", &[("password", PASSWORD)]).await;
    let fresh = page.text.split("<li>").nth(1).unwrap().split('<').next().unwrap().to_owned();
    assert_eq!(second(&half_way(&server).await, &codes[4]).await.status, 422);
    assert_eq!(second(&half_way(&server).await, &fresh).await.status, 303);
});

on_both_engines!(it_is_switched_off_with_the_password, async |server| {
    let reader = Reader::signed_in(&server).await;
    let (_, codes) = set_up(&reader).await;
    assert_eq!(reader.send("/account/second-factor/off", &[("password", "not the right one")]).await.status, 422);
    half_way(&server).await;
    assert_eq!(reader.send("/account/second-factor/off", &[("password", PASSWORD)]).await.location(), "/account");
    Reader::signed_in(&server).await;
    // A later one has another secret and other recovery codes.
    let (_, others) = set_up(&reader).await;
    assert!(others.iter().all(|code| !codes.contains(code)));
});
