//! `deploy/wireguard/*.nft` before real packets: home, internet, a router at the site, a camera and a
//! guest, each a network namespace. A pair of virtual Ethernet ports stands for the tunnel, as rules
//! know it by its name alone.

use std::fs;
use std::net::{Ipv4Addr, SocketAddr, TcpListener, TcpStream, UdpSocket};
use std::process::Command;
use std::thread;
use std::time::Duration;

use forebay_tests::bed::{self, Namespace};
use forebay_tests::silent;

use super::{file, has};

const HOME: &str = "10.60.0.1";
const TUNNEL_END: &str = "10.60.0.2";
const INTERNET: &str = "203.0.113.1";
const UPLINK: &str = "203.0.113.2";
const CAMERA: &str = "10.40.0.11";
const CAMERA_GATEWAY: &str = "10.40.0.1";
const GUEST: &str = "10.41.0.7";
/// A page of a modem, behind the uplink.
const MODEM: &str = "192.168.100.1";

/// Ports on which everybody listens. The last one is the relay's own.
const PORTS: [u16; 6] = [22, 53, 80, 443, 554, 8473];
/// Longer than any path here takes; a dropped packet gets no answer ever.
const PATIENCE: Duration = Duration::from_millis(1500);

struct Net {
    home: Namespace,
    internet: Namespace,
    router: Namespace,
    camera: Namespace,
    guest: Namespace,
    /// They listen as long as they are there.
    _listeners: Vec<TcpListener>,
}

impl Net {
    fn new() -> Self {
        let make = |name: &str| Namespace::new(&format!("wall-{name}")).unwrap();
        let net = Self {
            home: make("home"),
            internet: make("internet"),
            router: make("router"),
            camera: make("camera"),
            guest: make("guest"),
            _listeners: Vec::new(),
        };
        let cable = |port: &str, other: &Namespace, name: &str| {
            let other = other.name();
            net.router
                .configure(&format!(
                    "link add {port} type veth peer name {name} netns {other}\n"
                ))
                .unwrap();
        };
        cable("wg0", &net.home, "wg0");
        cable("uplink", &net.internet, "isp");
        cable("cameras", &net.camera, "eth0");
        cable("guest", &net.guest, "wlan0");
        let up = |namespace: &Namespace, lines: &[String]| {
            namespace.configure("link set lo up\n").unwrap();
            namespace.configure(&(lines.join("\n") + "\n")).unwrap();
        };
        let address = |ip: &str, port: &str| {
            [
                format!("address add {ip}/24 dev {port}"),
                format!("link set {port} up"),
            ]
        };
        let route = |to: &str, via: &str| [format!("route add {to} via {via}")];
        let mtu = || [String::from("link set wg0 mtu 1420")];
        up(
            &net.home,
            &[
                &address(HOME, "wg0")[..],
                &mtu(),
                &route("10.40.0.0/15", TUNNEL_END),
            ]
            .concat(),
        );
        // Who is on the internet knows the way to the site's networks, to try it.
        up(
            &net.internet,
            &[
                &address(INTERNET, "isp")[..],
                &address(MODEM, "isp")[..1],
                &route("10.40.0.0/15", UPLINK),
            ]
            .concat(),
        );
        up(
            &net.camera,
            &[
                &address(CAMERA, "eth0")[..],
                &route("default", CAMERA_GATEWAY),
            ]
            .concat(),
        );
        up(
            &net.guest,
            &[&address(GUEST, "wlan0")[..], &route("default", "10.41.0.1")].concat(),
        );
        up(
            &net.router,
            &[
                &address(TUNNEL_END, "wg0")[..],
                &mtu(),
                &address(UPLINK, "uplink"),
                &address(CAMERA_GATEWAY, "cameras"),
                &address("10.41.0.1", "guest"),
                &route("default", INTERNET),
            ]
            .concat(),
        );
        net.router
            .within(|| fs::write("/proc/sys/net/ipv4/ip_forward", "1").unwrap())
            .unwrap();
        let all = [
            &net.home,
            &net.internet,
            &net.router,
            &net.camera,
            &net.guest,
        ];
        let listeners = all.iter().flat_map(|namespace| {
            let listen = |port| TcpListener::bind((Ipv4Addr::UNSPECIFIED, port)).unwrap();
            namespace.within(|| PORTS.map(listen)).unwrap().into_iter()
        });
        let _listeners = listeners.collect();
        Self { _listeners, ..net }
    }

    fn load(namespace: &Namespace, rules: &str) {
        silent(
            Command::new("ip")
                .args(["netns", "exec", namespace.name(), "nft", "-f"])
                .arg(file(rules)),
        );
    }
}

/// Whether a connection comes about.
fn reaches(from: &Namespace, to: &str, port: u16) -> bool {
    let to = SocketAddr::new(to.parse().unwrap(), port);
    from.within(|| TcpStream::connect_timeout(&to, PATIENCE).is_ok())
        .unwrap()
}

/// Whether a datagram arrives.
fn is_heard(from: &Namespace, at: &Namespace, to: &str, port: u16) -> bool {
    let to = SocketAddr::new(to.parse().unwrap(), port);
    let ear = at
        .within(|| UdpSocket::bind((Ipv4Addr::UNSPECIFIED, port)).unwrap())
        .unwrap();
    ear.set_read_timeout(Some(PATIENCE)).unwrap();
    from.within(|| {
        let mouth = UdpSocket::bind((Ipv4Addr::UNSPECIFIED, 0)).unwrap();
        mouth.send_to(b"time?", to).unwrap();
    })
    .unwrap();
    ear.recv(&mut [0; 16]).is_ok()
}

#[test]
fn the_rules_let_pass_what_is_meant_and_nothing_else() {
    if !bed::or_skip() || !has("nft") {
        return;
    }
    let net = Net::new();
    // From, to, port, whether it is meant to be reached.
    let paths = [
        // The relay: pictures and pages of cameras, the router's shell.
        (&net.home, CAMERA, 554, true),
        (&net.home, CAMERA, 80, true),
        (&net.home, CAMERA, 443, true),
        (&net.home, CAMERA, 22, false),
        (&net.home, TUNNEL_END, 22, true),
        (&net.home, TUNNEL_END, 80, false),
        (&net.home, GUEST, 80, false),
        // Cameras begin nothing.
        (&net.camera, INTERNET, 443, false),
        (&net.camera, MODEM, 80, false),
        (&net.camera, HOME, 8473, false),
        (&net.camera, HOME, 22, false),
        (&net.camera, GUEST, 80, false),
        (&net.camera, CAMERA_GATEWAY, 22, false),
        (&net.camera, CAMERA_GATEWAY, 53, false),
        // Guests: the internet and names.
        (&net.guest, INTERNET, 443, true),
        (&net.guest, "10.41.0.1", 53, true),
        (&net.guest, "10.41.0.1", 22, false),
        (&net.guest, CAMERA, 554, false),
        (&net.guest, HOME, 8473, false),
        (&net.guest, MODEM, 80, false),
        // From outside, and from the site itself.
        (&net.internet, UPLINK, 22, false),
        (&net.internet, CAMERA, 554, false),
        (&net.internet, GUEST, 80, false),
        (&net.router, HOME, 8473, false),
        (&net.router, HOME, 22, false),
        (&net.router, INTERNET, 443, true),
        (&net.router, CAMERA, 554, true),
    ];
    // Without rules all of it is open: what is closed below is closed by them.
    let open: Vec<_> = paths
        .iter()
        .map(|(from, to, port, _)| reaches(from, to, *port))
        .collect();
    let closed = open.iter().filter(|open| !**open).count();
    assert_eq!(closed, 0, "{open:?}");

    Net::load(&net.router, "wireguard/site.nft");
    Net::load(&net.home, "wireguard/home.nft");
    // Loaded once more they are the same, and not twice there.
    Net::load(&net.router, "wireguard/site.nft");
    let found: Vec<_> = thread::scope(|scope| {
        let tries: Vec<_> = paths
            .iter()
            .map(|(from, to, port, _)| scope.spawn(move || reaches(from, to, *port)))
            .collect();
        tries.into_iter().map(|t| t.join().unwrap()).collect()
    });
    let wrong: Vec<_> = paths
        .iter()
        .zip(found)
        .filter(|((_, _, _, meant), found)| meant != found)
        .map(|((from, to, port, meant), _)| format!("{} to {to}:{port} meant {meant}", from.name()))
        .collect();
    assert!(wrong.is_empty(), "{wrong:#?}");

    // The router's clock; its log is none of a camera's business.
    assert!(is_heard(&net.camera, &net.router, CAMERA_GATEWAY, 123));
    assert!(!is_heard(&net.camera, &net.router, CAMERA_GATEWAY, 514));
}

#[test]
fn nft_has_nothing_to_say_against_the_rules() {
    if !bed::or_skip() || !has("nft") {
        return;
    }
    for rules in ["wireguard/site.nft", "wireguard/home.nft"] {
        silent(Command::new("nft").args(["-c", "-f"]).arg(file(rules)));
    }
}

#[test]
fn wg_quick_reads_both_ends() {
    if !has("wg-quick") {
        return;
    }
    for (end, needed) in [
        ("home", "ListenPort = 51820"),
        ("site", "PersistentKeepalive = 25"),
    ] {
        // It wants a file of that name that nobody else may read.
        let folder = forebay_tests::fresh_folder(crate::SCRATCH, &format!("wg-{end}"));
        let copy = folder.join("wg0.conf");
        let text = fs::read_to_string(file(&format!("wireguard/{end}-wg0.conf"))).unwrap();
        assert!(text.contains("MTU = 1420"), "{text}");
        fs::write(&copy, text).unwrap();
        silent(Command::new("chmod").arg("600").arg(&copy));
        let stripped = silent(Command::new("wg-quick").arg("strip").arg(&copy));
        let stripped = String::from_utf8(stripped.stdout).unwrap();
        assert!(stripped.contains(needed), "{stripped}");
    }
}
