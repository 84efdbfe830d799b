//! The one thing of the session description that the RTSP library keeps to itself: the format
//! parameters (`a=fmtp`, RFC 8866 §6.15), which hold parameter sets and AAC configuration.

use sdp_types::Session;

/// One stream as the RTSP library lists it.
#[derive(Debug, Clone, Copy)]
pub(super) struct Listed<'a> {
    pub(super) media: &'a str,
    pub(super) payload_type: u8,
}

/// The format parameters of each listed stream. The library lists the descriptions that it
/// understands, in their order, so each is the next with the same media and payload type.
pub(super) fn format_parameters(sdp: &[u8], listed: &[Listed<'_>]) -> Vec<Option<String>> {
    let Ok(session) = Session::parse(sdp) else {
        return vec![None; listed.len()];
    };
    let mut medias = session.medias.iter();
    listed
        .iter()
        .map(|stream| {
            let payload_type = stream.payload_type.to_string();
            let first_format = |fmt: &str| fmt.split_ascii_whitespace().next().map(str::to_owned);
            let media = medias.find(|media| {
                media.media == stream.media
                    && first_format(&media.fmt).as_deref() == Some(&payload_type)
            })?;
            media
                .attributes
                .iter()
                .filter(|attribute| attribute.attribute == "fmtp")
                .filter_map(|attribute| attribute.value.as_deref()?.split_once(' '))
                // The last one counts, as in the library.
                .rfind(|(number, _)| *number == payload_type)
                .map(|(_, parameters)| parameters.to_owned())
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn parameters_go_to_their_streams() {
        let sdp = b"v=0\r\no=- 0 0 IN IP4 127.0.0.1\r\ns=-\r\nt=0 0\r\n\
            m=application 0 RTP/AVP 107\r\n\
            m=video 0 RTP/AVP 96\r\na=rtpmap:96 H264/90000\r\na=fmtp:96 packetization-mode=1\r\n\
            m=audio 0 RTP/AVP 0\r\n\
            m=audio 0 RTP/AVP 97\r\na=rtpmap:97 mpeg4-generic/16000\r\na=fmtp:97 config=1408\r\n";
        let listed = [
            Listed {
                media: "video",
                payload_type: 96,
            },
            Listed {
                media: "audio",
                payload_type: 0,
            },
            Listed {
                media: "audio",
                payload_type: 97,
            },
        ];
        assert_eq!(
            format_parameters(sdp, &listed),
            [
                Some("packetization-mode=1".to_owned()),
                None,
                Some("config=1408".to_owned())
            ]
        );
        assert_eq!(
            format_parameters(b"\xff\x00junk", &listed),
            [None, None, None]
        );
    }
}
