//! The socket of a connection, which what reads, what writes and what closes it share.

use std::io;

use bytes::BytesMut;
use tokio::net::TcpStream;

/// Bytes read at a time, at least.
const READ_BYTES: usize = 4096;

/// Appends what has come; 0 when the viewer has closed its side.
pub(crate) async fn read(stream: &TcpStream, buffer: &mut BytesMut) -> io::Result<usize> {
    loop {
        stream.readable().await?;
        buffer.reserve(READ_BYTES);
        match stream.try_read_buf(buffer) {
            Err(error) if error.kind() == io::ErrorKind::WouldBlock => {}
            result => return result,
        }
    }
}

pub(crate) async fn write_all(stream: &TcpStream, mut bytes: &[u8]) -> io::Result<()> {
    while !bytes.is_empty() {
        stream.writable().await?;
        match stream.try_write(bytes) {
            Ok(size) => bytes = bytes.get(size..).unwrap_or_default(),
            Err(error) if error.kind() == io::ErrorKind::WouldBlock => {}
            Err(error) => return Err(error),
        }
    }
    Ok(())
}
