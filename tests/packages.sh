# shellcheck shell=sh
# Sourced by tests/run and config/demo/run: installs what is missing, on Debian 12, with apt-get.
#
#     need_packages build broker lint verify
#
# A thing is looked for, not its package, so that one from elsewhere is as good. Nothing is installed
# and no list is fetched when all is there.

# What is looked for, and the Debian package that brings it.
things_of() {
    case $1 in
    build) cat <<'END' ;;
command:cmake cmake
command:ninja ninja-build
command:gcc gcc
command:pkg-config pkg-config
header:MQTTClient.h libpaho-mqtt-dev
module:yaml-0.1 libyaml-dev
module:libcjson libcjson-dev
module:libcrypto libssl-dev
file:/usr/include/x86_64-linux-gnu/sys/types.h|/usr/include/aarch64-linux-gnu/sys/types.h|/usr/include/arm-linux-gnueabihf/sys/types.h libc6-dev
file:/usr/share/zoneinfo/Europe/Dublin tzdata
END
    test) cat <<'END' ;;
module:check check
END
    python) cat <<'END' ;;
file:/usr/bin/python3 python3
END
    broker) cat <<'END' ;;
command:mosquitto mosquitto
END
    system) cat <<'END' ;;
command:mosquitto_pub mosquitto-clients
file:/usr/lib/python3/dist-packages/paho python3-paho-mqtt
file:/usr/lib/python3/dist-packages/jinja2 python3-jinja2
file:/usr/lib/python3/dist-packages/prometheus_client python3-prometheus-client
command:systemd-analyze systemd
command:strace strace
END
    browser) cat <<'END' ;;
command:chromium chromium
file:/usr/share/fonts/truetype/dejavu/DejaVuSans.ttf fonts-dejavu-core
END
    tidy) cat <<'END' ;;
command:git git
command:nm binutils
command:clang-format clang-format
command:systemd-analyze systemd
END
    lint) cat <<'END' ;;
command:clang clang
command:clang-tidy clang-tidy
command:run-clang-tidy clang-tools
command:cppcheck cppcheck
command:valgrind valgrind
command:setarch util-linux
END
    fuzz) cat <<'END' ;;
command:clang clang
file:/usr/lib/llvm-14/lib/clang/14.0.6/lib/linux/libclang_rt.fuzzer-x86_64.a|/usr/lib/llvm-14/lib/clang/14.0.6/lib/linux/libclang_rt.fuzzer-aarch64.a libclang-rt-14-dev
END
    package) cat <<'END' ;;
command:dh debhelper
command:dpkg-buildpackage dpkg-dev
command:lintian lintian
command:mandoc mandoc
command:man man-db
command:groff groff
command:mmdebstrap mmdebstrap
END
    cross) cat <<'END' ;;
command:aarch64-linux-gnu-gcc gcc-aarch64-linux-gnu
command:arm-linux-gnueabihf-gcc gcc-arm-linux-gnueabihf
command:qemu-aarch64 qemu-user
command:mmdebstrap mmdebstrap
END
    coverage) cat <<'END' ;;
command:gcovr gcovr
END
    node) cat <<'END' ;;
command:node nodejs
command:npm npm
END
    esac
}

# mosquitto's folder, /usr/sbin, isn't everyone's.
PATH=$PATH:/usr/sbin:/sbin

is_there() {
    case $1 in
    command:*) command -v "${1#command:}" >/dev/null 2>&1 ;;
    module:*) command -v pkg-config >/dev/null 2>&1 && pkg-config --exists "${1#module:}" ;;
    header:*) [ -e "/usr/include/${1#header:}" ] || [ -e "/usr/local/include/${1#header:}" ] ;;
    file:*)
        for place in $(echo "${1#file:}" | tr '|' ' '); do
            [ -e "$place" ] && return 0
        done
        return 1
        ;;
    esac
}

as_root() {
    if [ "$(id -u)" = 0 ]; then "$@"; else sudo "$@"; fi
}

missing_packages() {
    for group; do
        things_of "$group" | while read -r thing package; do
            is_there "$thing" || echo "$package"
        done
    done | sort -u | tr '\n' ' '
}

# A broker that is only wanted for tests isn't to be started as a service by its installation.
install_packages() {
    policy=/usr/sbin/policy-rc.d
    made=no
    if [ ! -e $policy ]; then
        printf '#!/bin/sh\nexit 101\n' | as_root tee $policy >/dev/null && as_root chmod 755 $policy
        made=yes
    fi
    as_root env DEBIAN_FRONTEND=noninteractive apt-get -q -y update &&
        as_root env DEBIAN_FRONTEND=noninteractive \
            apt-get -q -y install --no-install-recommends "$@"
    code=$?
    [ $made = no ] || as_root rm -f $policy
    return $code
}

# Arguments: groups. Prints what it installs; 1 with the reason on stderr when that fails.
need_packages() {
    missing=$(missing_packages "$@")
    [ -n "${missing% }" ] || return 0
    echo "installing: $missing"
    log=$(mktemp)
    # shellcheck disable=SC2086
    if ! install_packages $missing </dev/null >"$log" 2>&1; then
        cat "$log" >&2
        rm -f "$log"
        echo "these packages couldn't be installed: $missing" >&2
        return 1
    fi
    rm -f "$log"
    missing=$(missing_packages "$@")
    [ -z "${missing% }" ] || { echo "still missing after the installation: $missing" >&2 && return 1; }
}
