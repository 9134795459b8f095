# Where deploy/install puts things, and deploy/remove finds them.
# shellcheck shell=bash disable=SC2034 # used by those that read this
OWNER=ridgepost
PROGRAM=/opt/ridgepost
COMMAND=/usr/local/bin/ridgepost
ETC=/etc/ridgepost
SETTINGS=$ETC/ridgepost.toml
STATE=/var/lib/ridgepost
UNIT=/etc/systemd/system/ridgepost.service
RULE=/etc/udev/rules.d/60-ridgepost.rules
MODULES=/etc/modules-load.d/ridgepost.conf
BROKER_CONF=/etc/mosquitto/conf.d/ridgepost.conf
BROKER_ACCESS=/etc/mosquitto/ridgepost.access
BROKER_PASSWORDS=/etc/mosquitto/ridgepost.passwords
