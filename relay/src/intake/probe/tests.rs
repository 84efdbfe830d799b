use super::*;

#[test]
fn the_challenge_names_the_scheme() {
    assert_eq!(scheme("RTSP/1.0 200 OK\r\nCSeq: 2\r\n\r\n"), "none");
    let both = "RTSP/1.0 401 Unauthorized\r\nWWW-Authenticate: Basic realm=\"a\"\r\n\
        www-authenticate: Digest realm=\"a\", nonce=\"b\"\r\n\r\n";
    assert_eq!(scheme(both), "digest");
}

#[cfg(feature = "demo")]
mod simulated {
    use std::path::Path;

    use forebay_site::{Behaviour, CameraSpec, Site};

    use super::*;

    /// A probe of a simulated camera: 25 pictures a second, a key frame every 2 s.
    async fn probe(change: impl FnOnce(&mut CameraSpec), behaviour: Behaviour) -> Report {
        let mut spec = CameraSpec::looped("slipway", 300_000);
        (spec.width, spec.height) = (160, 96);
        spec.report_interval = Duration::from_secs(1);
        change(&mut spec);
        let site = Site::start(vec![spec]).await.unwrap();
        let camera = &site.cameras()[0];
        camera.behave(behaviour);
        let text = format!(
            "[relay]\narchive = \"/srv/forebay\"\n[[site]]\nname = \"boatyard\"\n\
             time_zone = \"Europe/Oslo\"\n[[camera]]\nname = \"slipway\"\nsite = \"boatyard\"\n\
             url = {:?}\n[[sink]]\nname = \"footage\"\nplugin = \"builtin:recorder\"\n",
            camera.url()
        );
        let config = crate::config::parse(&text, Path::new("forebay.toml")).unwrap();
        let probe = Probe::new(&config.cameras[0], Duration::from_secs(5));
        let report = probe.run().await.unwrap();
        site.stop().await;
        report
    }

    fn said(report: &Report) -> String {
        let camera = crate::units::Name::new("slipway").unwrap();
        let all = [report.findings(&camera), report.remarks(&camera)];
        all.concat().join("\n")
    }

    #[tokio::test]
    async fn a_camera_that_stands_everything() {
        let report = probe(|_| {}, Behaviour::Normal).await;
        assert_eq!(report.second_session, SecondSession::Yes);
        assert_eq!(report.receiver_report, ReceiverReport::Accepted);
        let clock = report.clock.unwrap();
        assert!(clock.offset.abs() < 0.1 && clock.plausible, "{clock:?}");
        assert_eq!((clock.drift_ppm, clock.steps), (None, 0));
        let said = said(&report);
        for words in [
            "clock: right to within ",
            "drift not known yet: that needs 10 min",
            "second session: yes; receiver report: accepted",
            "key frames lie 2.0 s apart: one each second would save up to 1.0 s",
        ] {
            assert!(said.contains(words), "{words}: {said}");
        }
        assert!(!said.contains("after an outage"), "{said}");
    }

    #[tokio::test]
    async fn a_camera_that_stands_nothing() {
        let change = |spec: &mut CameraSpec| {
            (spec.sessions_max, spec.resets_on_report) = (1, true);
            spec.clock_offset_ns = -90_000_000_000;
        };
        let report = probe(change, Behaviour::Normal).await;
        assert!(matches!(report.second_session, SecondSession::Refused(_)));
        assert_eq!(report.receiver_report, ReceiverReport::EndsSession);
        let clock = report.clock.unwrap();
        assert!((clock.offset + 90.0).abs() < 0.1, "{clock:?}");
        let said = said(&report);
        for words in [
            "clock: behind by 90.0",
            "its clock is wrong by -90.0 s",
            "second session: refused (SETUP: ",
            "receiver report: ends the session",
            "can neither wake its session nor begin another",
        ] {
            assert!(said.contains(words), "{words}: {said}");
        }
    }

    #[tokio::test]
    async fn a_camera_that_has_lost_the_time() {
        let report = probe(|_| {}, Behaviour::RestartWithClock1970).await;
        let said = said(&report);
        assert!(said.contains("clock: in 1970;"), "{said}");
        assert!(said.contains("its clock says 1970"), "{said}");
    }
}
