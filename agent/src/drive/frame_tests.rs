use super::*;
use FrameFault::*;
use proptest::prelude::*;

fn question(framing: Framing, table: Table, address: u16, count: u16) -> Question {
    Question { framing, transaction: 0x1501, unit: 0x11, request: Request { table, address, count } }
}

/// Request and answer of the examples in the Modbus Application Protocol 1.1b3, 6.1 to 6.4, behind unit 17; the
/// checksum of 6.3's request, 76 87, is the one that published worked examples give for `11 03 00 6B 00 03`.
#[test]
fn the_examples_of_the_protocol() {
    let read = |table, address, count, request: &[u8], answer: &[u8], expected: Answer| {
        let tcp = question(Framing::Tcp, table, address, count);
        assert_eq!(tcp.bytes().to_vec(), [&[0x15, 0x01, 0, 0, 0, 6, 0x11], request].concat());
        let framed = [&[0x15, 0x01, 0, 0, 0, answer.len() as u8 + 1, 0x11], answer].concat();
        assert_eq!(tcp.hear(&framed), Ok(Heard::Data(expected.clone())));
        let rtu = question(Framing::Rtu, table, address, count);
        let sent = rtu.bytes().to_vec();
        assert_eq!(sent[..6], [&[0x11], request].concat());
        assert_eq!(rtu.hear(&with_checksum(&[&[0x11], answer].concat())), Ok(Heard::Data(expected)));
        sent
    };
    let coils = |bytes: &[u8], n: usize| Answer::Contacts((0..n).map(|i| bytes[i / 8] >> (i % 8) & 1 == 1).collect());
    let request = [0x01, 0x00, 0x13, 0x00, 0x13];
    read(Table::Coil, 0x13, 0x13, &request, &[0x01, 0x03, 0xCD, 0x6B, 0x05], coils(&[0xCD, 0x6B, 0x05], 19));
    let request = [0x02, 0x00, 0xC4, 0x00, 0x16];
    read(Table::Discrete, 0xC4, 0x16, &request, &[0x02, 0x03, 0xAC, 0xDB, 0x35], coils(&[0xAC, 0xDB, 0x35], 22));
    let request = [0x03, 0x00, 0x6B, 0x00, 0x03];
    let answer = [0x03, 0x06, 0x02, 0x2B, 0x00, 0x00, 0x00, 0x64];
    let sent = read(Table::Holding, 0x6B, 3, &request, &answer, Answer::Words(vec![555, 0, 100].into()));
    assert_eq!(sent[6..], [0x76, 0x87]);
    read(
        Table::Input,
        8,
        1,
        &[0x04, 0x00, 0x08, 0x00, 0x01],
        &[0x04, 0x02, 0x00, 0x0A],
        Answer::Words(vec![10].into()),
    );
}

/// The check value of this CRC over the digits 1 to 9 is 4B37 (catalogue of parametrised CRC algorithms, "MODBUS").
#[test]
fn the_checksum_s_check_value() {
    assert_eq!(checksum(b"123456789"), 0x4B37);
}

#[test]
fn what_is_no_answer_is_named() {
    let tcp = question(Framing::Tcp, Table::Holding, 0, 2);
    let good = [0x15, 0x01, 0, 0, 0, 7, 0x11, 3, 4, 0, 1, 0, 2];
    assert_eq!(tcp.hear(&good), Ok(Heard::Data(Answer::Words(vec![1, 2].into()))));
    let bent = |at: usize, byte: u8| {
        let mut bytes = good;
        bytes[at] = byte;
        tcp.hear(&bytes)
    };
    assert_eq!(bent(1, 2), Err(Transaction));
    assert_eq!(bent(3, 1), Err(Protocol));
    assert_eq!(bent(4, 1), Err(Protocol));
    assert_eq!(bent(5, 9), Err(Length));
    assert_eq!(bent(6, 0x12), Err(Unit(0x12)));
    assert_eq!(bent(7, 4), Err(Function(4)));
    assert_eq!(bent(8, 6), Err(Length));
    assert_eq!(tcp.hear(&[&good[..], &[0]].concat()), Err(Surplus));
    assert_eq!(tcp.hear(&[0x15, 0x01, 0, 0, 0, 3, 0x11, 0x83, 2]), Ok(Heard::Refused(2)));
    assert_eq!(tcp.hear(&[0x15, 0x01, 0, 0, 0, 4, 0x11, 0x83, 2, 0]), Err(Length));

    let rtu = question(Framing::Rtu, Table::Holding, 0, 2);
    let good = with_checksum(&[0x11, 3, 4, 0, 1, 0, 2]);
    let mut noisy = good.clone();
    noisy[4] ^= 0x10;
    assert_eq!(rtu.hear(&noisy), Err(Checksum));
    assert_eq!(rtu.hear(&[good.clone(), vec![7]].concat()), Err(Surplus));
    assert_eq!(rtu.hear(&rtu.bytes()), Err(Echo));
    assert_eq!(rtu.hear(&[0x11, 3, 6]), Err(Length));
    assert_eq!(rtu.hear(&with_checksum(&[0x11, 0x83, 11])), Ok(Heard::Refused(11)));
    assert_eq!(late_frame(&good, 0x11, 3, 4), Some(9));
    assert_eq!(late_frame(&good, 0x11, 3, 6), None);
    assert_eq!(late_frame(&noisy, 0x11, 3, 4), None);
}

fn any_question() -> impl Strategy<Value = Question> {
    let table = prop::sample::select(vec![Table::Holding, Table::Input, Table::Coil, Table::Discrete]);
    let framing = prop::sample::select(vec![Framing::Tcp, Framing::Rtu]);
    (framing, table, any::<u16>(), any::<u8>(), any::<u16>(), 1_u16..=125).prop_map(
        |(framing, table, transaction, unit, address, count)| {
            let count = if matches!(table, Table::Coil | Table::Discrete) { count * 16 } else { count };
            Question { framing, transaction, unit, request: Request { table, address, count } }
        },
    )
}

/// An answer to the question with this data.
fn answer(question: &Question, data: &[u8]) -> Vec<u8> {
    let body = [&[question.unit, question.request.function(), data.len() as u8], data].concat();
    match question.framing {
        Framing::Rtu => with_checksum(&body),
        Framing::Tcp => {
            let [t0, t1] = question.transaction.to_be_bytes();
            [&[t0, t1, 0, 0, 0, body.len() as u8], body.as_slice()].concat()
        }
    }
}

proptest! {
    #[test]
    fn only_reads_can_be_written(question in any_question()) {
        let at = if question.framing == Framing::Tcp { 7 } else { 1 };
        prop_assert!((1..=4).contains(&question.bytes()[at]));
    }

    #[test]
    fn an_answer_cut_anywhere_wants_more_and_whole_is_taken(question in any_question(), seed in any::<u8>()) {
        let data = vec![seed; question.request.data_bytes() as usize];
        let bytes = answer(&question, &data);
        for end in 0..bytes.len() {
            prop_assert_eq!(question.hear(&bytes[..end]), Ok(Heard::Part));
        }
        prop_assert!(matches!(question.hear(&bytes), Ok(Heard::Data(_))));
    }

    #[test]
    fn any_bytes_are_heard_without_a_panic(question in any_question(), bytes in prop::collection::vec(any::<u8>(), 0..300)) {
        let _ = question.hear(&bytes);
        let _ = late_frame(&bytes, question.unit, question.request.function(), question.request.data_bytes());
    }

    #[test]
    fn one_wrong_byte_of_an_rtu_answer_is_always_seen(
        question in any_question(), at in any::<prop::sample::Index>(), flip in 1_u8..,
    ) {
        let question = Question { framing: Framing::Rtu, ..question };
        let mut bytes = answer(&question, &vec![0x5A; question.request.data_bytes() as usize]);
        let at = at.index(bytes.len());
        bytes[at] ^= flip;
        prop_assert!(!matches!(question.hear(&bytes), Ok(Heard::Data(_))));
    }
}

fn with_checksum(body: &[u8]) -> Vec<u8> {
    [body, checksum(body).to_le_bytes().as_slice()].concat()
}
