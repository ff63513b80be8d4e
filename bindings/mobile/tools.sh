# Shared by the scripts here: where things are, and what they need. To be sourced.
root="$(cd "$(dirname "${BASH_SOURCE[0]}")/../.." && pwd)"
mobile="$root/bindings/mobile"
out="$root/target/bindings"
export CARGO_TERM_COLOR="${CARGO_TERM_COLOR:-never}"
mkdir -p "$out"

step() { printf '\n== %s\n' "$*"; }

case "$(uname -s)" in
  Darwin) lib="libembertally_mobile.dylib" ;;
  *) lib="libembertally_mobile.so" ;;
esac

# Builds the library, optimised, and writes the sources of one language out of it: generate kotlin|swift|python
build_library() { (cd "$root" && cargo build --release --locked -q -p embertally-mobile); }

# The same for phones and wheels, where size counts. Folding functions that are alike takes a fifth off; that is lld's, Rust's
# own linker on this system.
link_small=()
if [ "$(uname -sm)" = "Linux x86_64" ]; then
  link_small=(-C link-arg=-Wl,--icf=all)
fi
build_small() {
  (cd "$root" && cargo rustc --locked -q --profile mobile -p embertally-mobile --lib --crate-type cdylib -- "${link_small[@]}")
}

build_bindgen() {
  (cd "$root" && cargo build --locked -q -p embertally-mobile --features bindgen --bin uniffi-bindgen)
}

generate() {
  rm -rf "$out/$1" && mkdir -p "$out/$1"
  "$root/target/debug/uniffi-bindgen" generate "$root/target/release/$lib" --language "$1" --out-dir "$out/$1" \
    --config "$mobile/bindgen.toml" --no-format
}

# A Python environment of our own with what is named.
python_with() {
  local venv="$out/venv"
  [ -x "$venv/bin/python" ] || python3 -m venv "$venv"
  "$venv/bin/python" -m pip install --quiet --disable-pip-version-check "$@"
  python="$venv/bin/python"
}

# JNA and the Kotlin compiler. Debian's packages; the compiler is npm's, downloaded into target/.
kotlin_tools() {
  if [ ! -f /usr/share/java/jna.jar ] || [ ! -e /usr/lib/*/jni/libjnidispatch.system.so ] 2>/dev/null; then
    if [ "$(id -u)" = 0 ] && command -v apt-get >/dev/null; then
      step "installing JNA"
      apt-get update -qq && apt-get install -y -qq --no-install-recommends libjna-java libjna-jni
    fi
  fi
  if [ ! -f /usr/share/java/jna.jar ]; then
    echo "JNA is missing (Debian: apt-get install libjna-java libjna-jni)" >&2
    return 1
  fi
  if [ ! -f "$out/kotlin-compiler/node_modules/kotlin-compiler/bin/kotlinc" ]; then
    step "fetching the Kotlin compiler"
    mkdir -p "$out/kotlin-compiler"
    npm install --prefix "$out/kotlin-compiler" --ignore-scripts --no-audit --no-fund kotlin-compiler@2.4.20
  fi
  kc="$out/kotlin-compiler/node_modules/kotlin-compiler"
  jars="/usr/share/java/jna.jar:$kc/lib/kotlinx-coroutines-core-jvm.jar"
}

# Compiles Kotlin: kotlinc JAR SOURCE...
kotlin_compile() {
  local jar="$1"
  shift
  bash "$kc/bin/kotlinc" -nowarn -jvm-target 17 -cp "$jars" "$@" -d "$jar"
}

# Runs a class out of a jar: kotlin_run JAR CLASS ARGUMENT...
kotlin_run() {
  local jar="$1" class="$2"
  shift 2
  java ${JAVA_ARGS:-} -Djna.library.path="$root/target/release" -cp "$jar:$jars:$kc/lib/kotlin-stdlib.jar" "$class" "$@"
}
