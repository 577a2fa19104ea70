#!/bin/sh
# Installs the monitor as a service on Raspberry Pi OS or Debian: `sudo sh hardware/install.sh` from a clone.
# May be run again after an update; settings and evidence stay as they are.
set -eu

here=$(cd "$(dirname "$0")/.." && pwd)
settings=/etc/spindlebell
program=/opt/spindlebell
state=/var/lib/spindlebell

if [ "$(id -u)" -ne 0 ]; then
  echo "install.sh: has to be run by root; write: sudo sh hardware/install.sh" >&2
  exit 2
fi

echo "1/4 packages of the system"
apt-get update -qq
DEBIAN_FRONTEND=noninteractive apt-get install -y -qq --no-install-recommends \
  python3-venv libportaudio2 alsa-utils
# The pins' library comes from the system: pip has none for every Python. A computer without pins needs none.
DEBIAN_FRONTEND=noninteractive apt-get install -y -qq --no-install-recommends python3-gpiozero python3-lgpio ||
  echo "install.sh: no GPIO library for this system: it can listen, and drives no lines" >&2

echo "2/4 the user spindlebell"
for group in audio gpio; do
  getent group "$group" >/dev/null || groupadd --system "$group"
done
getent passwd spindlebell >/dev/null ||
  useradd --system --home-dir "$state" --shell /usr/sbin/nologin spindlebell
usermod --append --groups audio,gpio spindlebell
install -d -o spindlebell -g spindlebell -m 0750 "$state"

echo "3/4 the program, in $program"
[ -x "$program/bin/python" ] || python3 -m venv --system-site-packages "$program"
"$program/bin/pip" install --quiet --upgrade "$here"
ln -sf "$program/bin/spindlebell" /usr/local/bin/spindlebell

echo "4/4 settings, in $settings, and the service"
install -d -m 0755 "$settings"
[ -e "$settings/station.toml" ] || install -m 0644 "$here/hardware/station.toml" "$settings/station.toml"
[ -e "$settings/job.toml" ] || install -m 0644 "$here/monitor/data/cord_pulls.toml" "$settings/job.toml"
install -m 0644 "$here/hardware/spindlebell.service" /etc/systemd/system/spindlebell.service
if [ -d /run/systemd/system ]; then
  systemctl daemon-reload
fi

cat <<'NEXT'
Installed. Now:
  - wire it as hardware/WIRING.md says, and put the pins into /etc/spindlebell/station.toml;
  - put your job into /etc/spindlebell/job.toml;
  - sudo spindlebell baseline --live --rpm 300 --rpm 800 --station /etc/spindlebell/station.toml -o /etc/spindlebell/baseline.json
  - sudo spindlebell check --station /etc/spindlebell/station.toml
  - sudo systemctl enable --now spindlebell
NEXT
