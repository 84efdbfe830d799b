#!/bin/bash
# Boots a Debian with systemd in a container and starts deploy/systemd/forebay.service in it.
#
#   boot_unit.sh FOLDER UNIT FOREBAY RTSP-URL
#
# FOLDER keeps the system between runs (300 MB). Needs root, debootstrap and systemd-nspawn. The container shares this
# machine's network: the camera of RTSP-URL is on loopback. Ends with "all well", or says what is not.
set -euo pipefail
folder=$1 unit=$2 forebay=$3 url=$4
system=$folder/system machine=forebay-boot-$$
# The network is this machine's.
port=$((20000 + RANDOM % 10000))

if [[ ! -e $folder/made ]]; then
    rm -rf "$system"
    debootstrap --variant=minbase --include=systemd,systemd-sysv,dbus,ca-certificates bookworm "$system" >"$folder/debootstrap.log"
    touch "$folder/made"
fi
rm -rf "$system/var/lib/forebay" "$system/etc/systemd/system/forebay.service.d" "$system/var/log/journal"
install -m 755 "$forebay" "$system/usr/local/bin/forebay"
install -m 644 "$unit" "$system/etc/systemd/system/forebay.service"
mkdir -p "$system/etc/forebay" "$system/etc/systemd/system/forebay.service.d"
cat >"$system/etc/systemd/system/forebay.service.d/test.conf" <<UNIT
[Service]
LoadCredential=token:/etc/forebay/token
# A minute would be long to wait for.
WatchdogSec=6
UNIT
echo "a-token-of-24-characters" >"$system/etc/forebay/token"
chmod 600 "$system/etc/forebay/token"
cat >"$system/etc/forebay/forebay.toml" <<TOML
[relay]
archive = "/var/lib/forebay/archive"
listen = "127.0.0.1:$port"
token_file = "/run/credentials/forebay.service/token"
[[site]]
name = "boatyard"
time_zone = "Europe/Oslo"
[[camera]]
name = "slipway"
site = "boatyard"
url = "$url"
[[sink]]
name = "footage"
plugin = "builtin:recorder"
[sink.settings]
segment_seconds = 2
[[sink]]
name = "motion"
plugin = "builtin:motion"
TOML
cat >"$system/root/look.sh" <<'LOOK'
#!/bin/bash
# In the container, as its only other work.
set -euo pipefail
no() { echo "NOT WELL: $*"; journalctl -u forebay --no-pager | tail -n 40; exit 1; }
wait_for() { for _ in $(seq 240); do "$@" && return; sleep 0.5; done; no "waited in vain: $*"; }
getent passwd forebay >/dev/null || useradd --system --home-dir /var/lib/forebay --shell /usr/sbin/nologin forebay
systemctl start forebay || no "it doesn't start"
[[ $(systemctl show -p StatusErrno --value forebay) == 0 && $(systemctl is-active forebay) == active ]] || no "not active"
pid=$(systemctl show -p MainPID --value forebay)
[[ $(stat -c %U /proc/$pid) == forebay ]] || no "it runs as $(stat -c %U /proc/$pid)"
grep -q '^CapEff:\s*0000000000000000$' /proc/$pid/status || no "it has capabilities"
grep -q '^Seccomp:\s*2$' /proc/$pid/status || no "no system call filter"
grep -q '^NoNewPrivs:\s*1$' /proc/$pid/status || no "it may gain privileges"
plugins() { [[ $(journalctl -u forebay --no-pager | grep -c 'plugin started') -ge 2 ]]; }
wait_for plugins
footage() { compgen -G '/var/lib/forebay/archive/slipway/footage/*/*.mp4' >/dev/null; }
wait_for footage
/usr/local/bin/forebay health --config /etc/forebay/forebay.toml || no "health"
# A kick needs pidfd_getfd; the relay says where the kernel refuses.
journalctl -u forebay --no-pager | grep -iE 'EPERM|not permitted|permission denied|panicked' && no "something was denied"
echo "security: $(systemd-analyze security --no-pager forebay | tail -n 1)"
# Stopped in its tracks it answers nobody, and is started anew.
kill -STOP "$pid"
restarted() { local now; now=$(systemctl show -p MainPID --value forebay); [[ $now != 0 && $now != "$pid" && $(systemctl is-active forebay) == active ]]; }
wait_for restarted
begin=$(date +%s%N)
systemctl stop forebay
took=$((($(date +%s%N) - begin) / 1000000))
[[ $(systemctl show -p Result --value forebay) == success && $took -lt 6000 ]] || no "it ended after $took ms"
echo "all well; ended after $took ms"
LOOK
chmod +x "$system/root/look.sh"
cat >"$system/etc/systemd/system/look.service" <<'UNIT'
[Unit]
Description=Looks at the relay, then ends the machine
After=multi-user.target
[Service]
Type=oneshot
ExecStart=/root/look.sh
StandardOutput=file:/root/look.txt
StandardError=file:/root/look.txt
ExecStopPost=/bin/systemctl --no-block poweroff
UNIT
rm -f "$system/root/look.txt"
mkdir -p "$system/etc/systemd/system/multi-user.target.wants"
ln -sf ../look.service "$system/etc/systemd/system/multi-user.target.wants/look.service"
timeout --kill-after=10 300 systemd-nspawn --quiet --directory="$system" --machine="$machine" --boot --register=no --keep-unit \
    >"$folder/boot.log" 2>&1 </dev/null || true
cat "$system/root/look.txt"
grep -q '^all well' "$system/root/look.txt"
