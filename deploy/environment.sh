# shellcheck shell=bash
# Sourced by deploy/try, deploy/lock and tests/run: finds a Python, and makes a virtual environment
# with the locked libraries in it. The caller has set `root` to the folder of the clone.
# shellcheck disable=SC2154

# What a person's own shell may carry for other projects would reach into ours.
unset PYTHONHOME PYTHONPATH PIP_USER PIP_TARGET PIP_PREFIX PIP_REQUIRE_VIRTUALENV

python=""

say() { printf '%s\n' "$@"; }

die() {
  printf '%s\n' "$@" >&2
  exit 1
}

constraint_file() {
  case $1 in
    runtime) say "$root/deploy/constraints.txt" ;;
    *) say "$root/deploy/constraints-$1.txt" ;;
  esac
}

# Sets `python` to a Python 3.11, 3.12 or 3.13 that can make virtual environments, or ends the
# script with what to install. The variable PYTHON, where set, names the one to use.
find_python() {
  local candidate version candidates seen=() without_venv=()
  candidates=(python3 python3.13 python3.12 python3.11)
  if [ -n "${PYTHON-}" ]; then
    candidates=("$PYTHON")
  fi
  for candidate in "${candidates[@]}"; do
    # A name on the path may be a mere placeholder (version managers leave such), so ask it.
    version=$("$candidate" -c 'import sys; print("%d.%d" % sys.version_info[:2])' 2>/dev/null) ||
      continue
    case $version in
      3.11 | 3.12 | 3.13) ;;
      *)
        seen+=("$candidate is Python $version")
        continue
        ;;
    esac
    # Debian ships both modules as a package of their own.
    if ! "$candidate" -c 'import ensurepip, venv' 2>/dev/null; then
      without_venv+=("$version")
      continue
    fi
    python=$(command -v -- "$candidate")
    return
  done
  if [ ${#without_venv[@]} -gt 0 ]; then
    die "Python ${without_venv[0]} is here, but not its module for virtual environments." \
      "To install that:" \
      "    sudo apt install python3-venv"
  fi
  die "Ridgepost needs Python 3.11, 3.12 or 3.13, and none was found${seen[0]+ (${seen[0]})}." \
    "On Debian 12 or newer, and on Raspberry Pi OS made from it:" \
    "    sudo apt install python3 python3-venv" \
    "A Python in another place is named like this: PYTHON=/path/to/python3.12 $0"
}

# progress WHAT COMMAND...: runs COMMAND with its output in the file `log`, and says how far it is
# when it takes longer than two seconds. Returns what COMMAND returned.
progress() {
  local what=$1 started=$SECONDS next=2 elapsed line note="" count=0 child output ended status=0
  shift
  # bash makes what runs beside it deaf to Ctrl-C, hence the first trap; the second passes on a
  # request to end that reaches this script alone.
  exec {output}< <(
    trap - INT
    exec "$@" </dev/null 2>&1
  )
  child=$!
  trap 'kill "$child" 2>/dev/null; exit 143' TERM
  while true; do
    if IFS= read -r -t 1 -u "$output" line; then
      printf '%s\n' "$line" >>"$log"
      # pip says one of these for each package, and then nothing until all are in place.
      case $line in
        Collecting\ * | Processing\ *.whl*)
          line=${line%% (from *}
          line=${line##*[ /]}
          line=${line%%==*}
          count=$((count + 1))
          note=", fetching ${line%%-[0-9]*} ($count)"
          ;;
        Installing\ collected\ *) note=", putting $count packages in place" ;;
      esac
    else
      ended=$?
      printf '%s' "$line" >>"$log" # a line that is not finished
      [ "$ended" -gt 128 ] || break # the end of its output, not just a quiet second
    fi
    elapsed=$((SECONDS - started))
    if [ "$elapsed" -ge "$next" ]; then
      if [ -t 1 ]; then
        printf '\r\033[K  %s: %d s%s' "$what" "$elapsed" "$note"
        next=$((elapsed + 1))
      else
        printf '  %s: %d s%s\n' "$what" "$elapsed" "$note"
        next=$((elapsed + 5))
      fi
    fi
  done
  exec {output}<&-
  wait "$child" || status=$?
  trap - TERM
  if [ -t 1 ] && [ "$next" -gt 2 ]; then
    printf '\r\033[K'
  fi
  return "$status"
}

# must WHAT COMMAND...: as `progress`, and ends the script when COMMAND fails.
must() {
  progress "$@" || {
    tail -n 40 -- "$log" >&2
    die "" "Failed: $1. All of its output is in ${venv##*/}/setup.log." \
      "The first run fetches packages, so it needs the network. Nothing outside ${venv##*/} was" \
      "changed, and the next run starts afresh."
  }
}

# make_environment FOLDER GROUP...: a virtual environment in FOLDER of the clone, with the locked
# libraries of these groups (see deploy/lock) and Ridgepost itself, which is linked and not copied,
# so that a change in the clone shows at once. What is already as it should be is left alone.
make_environment() {
  local venv=$root/$1 log stamp group lists=() pip
  shift
  [ -n "$python" ] || find_python
  for group in "$@"; do
    lists+=(-r "$(constraint_file "$group")")
  done
  # Everything that decides what is inside. The folder too: an environment cannot be moved.
  stamp=$({
    say "$root" "$("$python" -VV)" "$@"
    cat -- "$root/pyproject.toml" "$root"/deploy/constraints*.txt "$root/deploy/environment.sh"
  } | sha256sum)
  # One at a time, so that a second run waits for the first instead of working against it.
  exec {lock}<"$root"
  flock --nonblock "$lock" || {
    say "Another run is setting up ${venv##*/}; waiting for it"
    flock "$lock"
  }
  if [ "$(cat -- "$venv/stamp" 2>/dev/null)" != "$stamp" ]; then
    say "Setting up ${venv##*/} with $("$python" -V), from locked downloads (this once)"
    rm -rf -- "$venv"
    mkdir -- "$venv"
    log=$venv/setup.log
    must "making the environment" "$python" -m venv -- "$venv"
    # Not compiled here: Python does that to what is really imported, which is the lesser part.
    pip=("$venv/bin/python" -m pip --disable-pip-version-check --no-input install --no-compile)
    must "installing build tools" "${pip[@]}" --require-hashes -r "$(constraint_file build)"
    must "installing libraries" "${pip[@]}" --require-hashes --no-build-isolation "${lists[@]}"
    must "installing Ridgepost" "${pip[@]}" --no-deps --no-build-isolation --editable "$root"
    say "$stamp" >"$venv/stamp"
    say "Ready"
  fi
  exec {lock}<&-
}
