//! A fuzz target for the decoders of readings: good packs bent at random, for a minute in every run (`GILLBOOK_FUZZ_SECONDS` for
//! more). Nothing may panic, and no input may make it take more memory than a small multiple of its size: the allocator is capped.

use std::{
    alloc::System,
    time::{Duration, Instant},
};

use cap::Cap;
use chrono::DateTime;
use gillbook_core::senml::{
    decode::{from_cbor, from_json},
    resolve,
};
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;

/// 96 MiB for everything: inputs are at most 64 KiB.
#[global_allocator]
static MEMORY: Cap<System> = Cap::new(System, 96 * 1024 * 1024);

const LONGEST: usize = 64 * 1024;

fn seeds() -> Vec<Vec<u8>> {
    let json = br#"[{"bn":"urn:dev:ow:10e2073a01080063","bt":1.320067464e+09,"bu":"%RH","bver":10,"v":20},{"u":"lon","v":24.30621},{"u":"Cel","t":60,"v":-20.3e-1},
        {"n":"label","vs":"Machine Room"},{"n":"open","vb":false},{"n":"nfv-reader","vd":"aGkgCg"},{"t":150,"s":98,"ut":3},{"x_":1},{"v":NaN}]"#;
    let field = |k: i64, v: ciborium::Value| (ciborium::Value::Integer(k.into()), v);
    let mut cbor = Vec::new();
    let record = |t: i64| {
        ciborium::Value::Map(vec![
            field(-2, ciborium::Value::Text("p1".into())),
            field(-3, 1.32e9.into()),
            field(1, ciborium::Value::Text("Cel".into())),
            field(2, 2.5.into()),
            field(6, t.into()),
            field(8, ciborium::Value::Bytes(vec![1, 2, 3])),
        ])
    };
    ciborium::into_writer(&ciborium::Value::Array((0..5).map(record).collect()), &mut cbor).expect("a pack in memory");
    let deep = vec![b'['; 3000];
    let nested = vec![0x81; 3000];
    // NaN inside a label that is passed over, and a base name that every record joins.
    let nan_inside = format!(r#"[{{"v":NaN,"n":"p1","x":{}NaN{}}}]"#, "[".repeat(300), "]".repeat(300)).into_bytes();
    let long_base = format!(r#"[{{"bn":"{}","v":1}}{}]"#, "a".repeat(20_000), r#",{"v":1}"#.repeat(4_000)).into_bytes();
    vec![
        json.to_vec(),
        cbor,
        deep,
        nested,
        vec![0x9f; 500],
        b"[{\"v\":1e999999}]".to_vec(),
        br#"[{"name":"p1","temp":NaN},{"bn":"p1","x":[NaN]},{"v":nan}]"#.to_vec(),
        nan_inside,
        long_base,
    ]
}

/// Bends an input: bits flipped, pieces cut, doubled and moved, lengths made absurd.
fn bend(input: &mut Vec<u8>, other: &[u8], chance: &mut ChaCha8Rng) {
    for _ in 0..chance.random_range(1..8) {
        if input.is_empty() {
            input.push(chance.random());
        }
        let at = chance.random_range(0..input.len());
        match chance.random_range(0..7) {
            0 => input[at] ^= 1 << chance.random_range(0..8),
            1 => input[at] = chance.random(),
            2 => input.truncate(at),
            3 => drop(input.splice(at..at, [chance.random_range(0x9a..=0x9b), 0xff, 0xff, 0xff, 0xff])),
            4 => {
                let end = chance.random_range(at..=input.len());
                let piece = input[at..end].to_vec();
                input.splice(at..at, piece);
            }
            5 => {
                let from = chance.random_range(0..=other.len());
                input.splice(at..at, other[from..].iter().copied());
            }
            _ => drop(input.splice(at..at, b"\"\\u0000-1e308{[".iter().copied().take(chance.random_range(1..14)))),
        }
        input.truncate(LONGEST);
    }
}

#[test]
fn bent_packs_are_read_or_refused() {
    let seconds = std::env::var("GILLBOOK_FUZZ_SECONDS").ok().and_then(|s| s.parse().ok()).unwrap_or(60);
    let seeds = seeds();
    let mut chance =
        ChaCha8Rng::seed_from_u64(std::env::var("GILLBOOK_FUZZ_SEED").ok().and_then(|s| s.parse().ok()).unwrap_or(1));
    let (began, mut tried, mut read) = (Instant::now(), 0_u64, 0_u64);
    while began.elapsed() < Duration::from_secs(seconds) {
        let mut input = seeds[chance.random_range(0..seeds.len())].clone();
        bend(&mut input, &seeds[chance.random_range(0..seeds.len())], &mut chance);
        for sent in [from_json(&input), from_cbor(&input)].into_iter().flatten() {
            let (good, bad) = resolve(&sent, DateTime::UNIX_EPOCH);
            assert!(good.len() + bad.len() <= sent.len());
            assert!(bad.iter().all(|b| !b.reason.is_empty() && b.index < sent.len()));
            read += 1;
        }
        tried += 1;
    }
    println!("{tried} inputs, {read} of them packs");
    assert!(read > 100, "the bending leaves some packs whole: {read} of {tried}");
}

/// One base name of 100 KiB and ten thousand records: joined, they would be a gigabyte.
#[test]
fn a_long_base_name_is_not_multiplied_by_its_records() {
    let pack = format!(r#"[{{"bn":"{}","v":1}}{}]"#, "a".repeat(100 * 1024), r#",{"n":"p","v":1}"#.repeat(9_999));
    let sent = from_json(pack.as_bytes()).expect("a pack");
    drop(pack);
    let (good, bad) = resolve(&sent, DateTime::UNIX_EPOCH);
    assert_eq!((good.len(), bad.len()), (0, 10_000));
    assert!(bad.iter().map(|b| b.reason.len()).sum::<usize>() < 2 * 1024 * 1024);
}
