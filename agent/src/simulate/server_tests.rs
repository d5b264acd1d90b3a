use super::*;
use crate::clock::Reading;
use crate::simulate::{Plan, Scenario};
use tallyhook_analysis::units::Timestamp;

const NAMED: &str = "name = \"n\"\n[crane]\nrated_load_kg = 10000\nhoist_m_per_min = 5\ncarry_m = [4, 5]\n\
                     place_m = [1, 2]\n[[lift]]\nat = 0\nload_kg = 5000\n";

/// Sends a request of raw bytes, gives the answer without the transaction and protocol fields.
async fn ask(stream: &mut TcpStream, unit: u8, pdu: &[u8]) -> Vec<u8> {
    let frame = [&[0x12, 0x34, 0, 0, 0, pdu.len() as u8 + 1, unit], pdu].concat();
    stream.write_all(&frame).await.unwrap();
    let mut head = [0; 7];
    stream.read_exact(&mut head).await.unwrap();
    assert_eq!((&head[..5], head[6]), (&[0x12, 0x34, 0, 0, 0][..], unit));
    let mut rest = vec![0; usize::from(head[5]) - 1];
    stream.read_exact(&mut rest).await.unwrap();
    rest
}

#[tokio::test]
async fn reads_are_answered_and_nothing_else_is() {
    let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
    let address = listener.local_addr().unwrap();
    let clock = Clock::manual(Timestamp::from_ms(0));
    let player = Player::new(Plan::new(Scenario::parse(NAMED).unwrap(), Timestamp::from_ms(500)));
    let (stop, stopped) = watch::channel(false);
    let server = tokio::spawn(serve(listener, player, clock.clone(), Span::from_ms(500), stopped));
    let mut stream = TcpStream::connect(address).await.unwrap();

    // Shifted by half a second, the clock's zero is the beginning of the lift: slack rope, raising, ready, brake open.
    assert_eq!(ask(&mut stream, 1, &[3, 0, 0, 0, 3]).await, [3, 6, 0, 0, 0, 0, 0, 0b1011]);
    assert_eq!(ask(&mut stream, 1, &[1, 0, 1, 0, 2]).await, [1, 1, 0b01]);
    assert_eq!(ask(&mut stream, 1, &[2, 0, 0, 0, 9]).await, [2, 2, 0b1011, 0]);
    clock.set(Reading { wall: Timestamp::from_ms(4000), mono: Span::from_ms(4000) });
    let load = ask(&mut stream, 1, &[4, 0, 0, 0, 2]).await;
    let tenths = i32::from_be_bytes([load[2], load[3], load[4], load[5]]);
    assert!((tenths - 50_000).abs() < 150, "{tenths}");

    assert_eq!(ask(&mut stream, 1, &[3, 0, 12, 0, 1]).await, [3, 2, 0x15, 0x29], "the map's last register");
    assert_eq!(ask(&mut stream, 1, &[3, 0, 12, 0, 2]).await, [0x83, 2], "one beyond it");
    assert_eq!(ask(&mut stream, 1, &[3, 0, 0, 0, 126]).await, [0x83, 3]);
    assert_eq!(ask(&mut stream, 1, &[3, 0, 0, 0, 0]).await, [0x83, 3]);
    assert_eq!(ask(&mut stream, 1, &[3, 0]).await, [0x83, 3]);
    assert_eq!(ask(&mut stream, 2, &[3, 0, 0, 0, 1]).await, [0x83, 11], "another unit");
    assert_eq!(ask(&mut stream, 1, &[6, 0, 0, 0, 1]).await, [0x86, 1], "a write");
    assert_eq!(ask(&mut stream, 1, &[16, 0, 0, 0, 1, 2, 0, 1]).await, [0x90, 1], "a write of several");

    stop.send_replace(true);
    server.await.unwrap().unwrap();
    let mut byte = [0];
    assert!(matches!(stream.read(&mut byte).await, Ok(0) | Err(_)), "connections end with the server");
}
