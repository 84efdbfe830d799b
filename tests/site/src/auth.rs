//! HTTP authentication as RTSP uses it: basic (RFC 7617), digest with MD5 (RFC 2617, RFC 7616)
//! and with SHA-256 (RFC 7616).

use std::fmt::Write as _;

use base64::Engine as _;
use base64::engine::general_purpose::STANDARD;
use md5::Md5;
use sha2::{Digest, Sha256};

/// How viewers have to prove themselves.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Scheme {
    /// The password in base64.
    Basic,
    /// Digest with MD5, `qop="auth"` offered.
    DigestMd5,
    /// Digest with MD5 as older cameras have it, without `qop`.
    DigestMd5Legacy,
    /// Digest with SHA-256, `qop="auth"` offered.
    DigestSha256,
}

/// Who may view a camera.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Account {
    /// How the password is proved.
    pub scheme: Scheme,
    /// User name.
    pub user: String,
    /// Password. Simulated, so no secret.
    pub password: String,
}

const REALM: &str = "boatyard";

impl Account {
    /// The value of the `WWW-Authenticate` header.
    pub(crate) fn challenge(&self, nonce: &str) -> String {
        match self.scheme {
            Scheme::Basic => format!("Basic realm=\"{REALM}\""),
            Scheme::DigestMd5Legacy => format!("Digest realm=\"{REALM}\", nonce=\"{nonce}\""),
            Scheme::DigestMd5 => {
                format!("Digest realm=\"{REALM}\", nonce=\"{nonce}\", qop=\"auth\", algorithm=MD5")
            }
            Scheme::DigestSha256 => {
                format!(
                    "Digest realm=\"{REALM}\", nonce=\"{nonce}\", qop=\"auth\", algorithm=SHA-256"
                )
            }
        }
    }

    /// Whether the value of an `Authorization` header proves the password for this request.
    pub(crate) fn accepts(&self, authorization: &str, method: &str, nonce: &str) -> bool {
        let Some((scheme, rest)) = authorization.split_once(' ') else {
            return false;
        };
        if self.scheme == Scheme::Basic {
            let right = STANDARD.encode(format!("{}:{}", self.user, self.password));
            return scheme.eq_ignore_ascii_case("basic") && rest.trim() == right;
        }
        let sha256 = self.scheme == Scheme::DigestSha256;
        let fields = Fields::parse(rest);
        let algorithm = fields.get("algorithm").unwrap_or("MD5");
        if !scheme.eq_ignore_ascii_case("digest")
            || fields.get("username") != Some(&self.user)
            || fields.get("realm") != Some(REALM)
            || fields.get("nonce") != Some(nonce)
            || !algorithm.eq_ignore_ascii_case(if sha256 { "SHA-256" } else { "MD5" })
        {
            return false;
        }
        let proof = Proof {
            user: &self.user,
            realm: REALM,
            password: &self.password,
            method,
            uri: fields.get("uri").unwrap_or_default(),
            nonce,
            quality: fields.get("qop").map(|qop| {
                (
                    fields.get("nc").unwrap_or_default(),
                    fields.get("cnonce").unwrap_or_default(),
                    qop,
                )
            }),
        };
        let right = if sha256 {
            proof.response::<Sha256>()
        } else {
            proof.response::<Md5>()
        };
        fields.get("response") == Some(right.as_str())
    }
}

/// What a digest response is made of.
struct Proof<'a> {
    user: &'a str,
    realm: &'a str,
    password: &'a str,
    method: &'a str,
    uri: &'a str,
    nonce: &'a str,
    /// Nonce count, client nonce and `qop`, unless the client keeps to RFC 2069.
    quality: Option<(&'a str, &'a str, &'a str)>,
}

impl Proof<'_> {
    /// RFC 7616 §3.4.1 to §3.4.3 with `qop=auth`, or RFC 2617 §3.2.2.1 without `qop`.
    fn response<D: Digest>(&self) -> String {
        let secret = hash::<D>(&format!("{}:{}:{}", self.user, self.realm, self.password));
        let request = hash::<D>(&format!("{}:{}", self.method, self.uri));
        let nonce = self.nonce;
        hash::<D>(&match self.quality {
            Some((count, cnonce, qop)) => {
                format!("{secret}:{nonce}:{count}:{cnonce}:{qop}:{request}")
            }
            None => format!("{secret}:{nonce}:{request}"),
        })
    }
}

fn hash<D: Digest>(text: &str) -> String {
    D::digest(text).iter().fold(String::new(), |mut hex, byte| {
        // Writing to a string can't fail.
        write!(hex, "{byte:02x}").ok();
        hex
    })
}

/// `name=value` and `name="value"`, separated by commas.
struct Fields<'a>(Vec<(&'a str, &'a str)>);

impl<'a> Fields<'a> {
    fn parse(text: &'a str) -> Self {
        let mut fields = Vec::new();
        let mut rest = text;
        while let Some((name, after)) = rest.split_once('=') {
            let (value, next) = match after.trim_start().strip_prefix('"') {
                Some(quoted) => quoted.split_once('"').unwrap_or((quoted, "")),
                None => after
                    .split_once(',')
                    .map_or((after, ""), |(value, next)| (value.trim(), next)),
            };
            fields.push((name.trim_matches([' ', ',']), value.trim()));
            rest = next;
        }
        Self(fields)
    }

    fn get(&self, name: &str) -> Option<&'a str> {
        self.0
            .iter()
            .find(|(key, _)| key.eq_ignore_ascii_case(name))
            .map(|(_, value)| *value)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn digest_of_rfc_2617_section_3_5() {
        let proof = Proof {
            user: "Mufasa",
            realm: "testrealm@host.com",
            password: "Circle Of Life",
            method: "GET",
            uri: "/dir/index.html",
            nonce: "dcd98b7102dd2f0e8b11d0f600bfb0c093",
            quality: Some(("00000001", "0a4f113b", "auth")),
        };
        assert_eq!(proof.response::<Md5>(), "6629fae49393a05397450978507c4ef1");
    }

    #[test]
    fn digests_of_rfc_7616_section_3_9_1() {
        let proof = Proof {
            user: "Mufasa",
            realm: "http-auth@example.org",
            password: "Circle of Life",
            method: "GET",
            uri: "/dir/index.html",
            nonce: "7ypf/xlj9XXwfDPEoM4URrv/xwf94BcCAzFZH4GiTo0v",
            quality: Some((
                "00000001",
                "f2/wE4q74E6zIJEtWaHKaf5wv/H5QzzpXusqGemxURZJ",
                "auth",
            )),
        };
        assert_eq!(proof.response::<Md5>(), "8ca523f5e9506fed4657c9700eebdbec");
        assert_eq!(
            proof.response::<Sha256>(),
            "753927fa0e85d155564e2e272a28d1802ca10daf4496794697cf8db5856cb6c1"
        );
    }

    #[test]
    fn wrong_proofs_are_refused() {
        let account = Account {
            scheme: Scheme::DigestMd5Legacy,
            user: "u".into(),
            password: "p".into(),
        };
        let response = Proof {
            user: "u",
            realm: REALM,
            password: "p",
            method: "PLAY",
            uri: "rtsp://h/c",
            nonce: "n1",
            quality: None,
        }
        .response::<Md5>();
        let header = format!(
            "Digest username=\"u\", realm=\"{REALM}\",nonce=\"n1\", uri=\"rtsp://h/c\", response=\"{response}\""
        );
        assert!(account.accepts(&header, "PLAY", "n1"));
        assert!(!account.accepts(&header, "SETUP", "n1"));
        assert!(!account.accepts(&header, "PLAY", "n2"));
        assert!(!account.accepts(&header.replace("\"u\"", "\"v\""), "PLAY", "n1"));
        assert!(!account.accepts(&header.replace("Digest", "Basic"), "PLAY", "n1"));
        for rubbish in [
            "",
            "Digest",
            "Digest =",
            "Digest username=\"u",
            "Basic dTpw",
        ] {
            assert!(!account.accepts(rubbish, "PLAY", "n1"), "{rubbish}");
        }
    }
}
