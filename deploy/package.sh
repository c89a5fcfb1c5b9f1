#!/usr/bin/env bash
# Builds what is installed: for each architecture a static binary, a tarball and
# a Debian package, with their checksums, into OUT.
#
#   deploy/package.sh [OUT [ARCH…]]      default: dist amd64 arm64 armv7
#
# The same commit gives the same bytes with the same Go, in any folder. The
# version is the tag, or made from the commit; EBBLINE_VERSION overrides it.
# Needs Go and Debian's git, tar, gzip; nfpm is built if it is not there.
set -euo pipefail
out=$(realpath -m "${1:-$(dirname "$0")/../dist}")
shift || true
archs=("$@")
[ ${#archs[@]} -gt 0 ] || archs=(amd64 arm64 armv7)
cd "$(dirname "$0")/.."

commit=$(git rev-parse --short=12 HEAD)
[ -z "$(git status --porcelain --untracked-files=no)" ] || commit+=-changed
SOURCE_DATE_EPOCH=$(git log -1 --format=%ct)
version=${EBBLINE_VERSION:-$(git describe --tags --exact-match --match 'v*' 2>/dev/null || true)}
version=${version#v}
# "~" sorts before the release that follows.
[ -n "$version" ] || version="0.1.0~$(date -u -d "@$SOURCE_DATE_EPOCH" +%Y%m%d%H%M%S).$commit"
export SOURCE_DATE_EPOCH VERSION=$version LC_ALL=C TZ=UTC

nfpm_version=v2.45.2
nfpm=$(go env GOPATH)/bin/nfpm
if ! go version -m "$nfpm" 2>/dev/null | grep -qE "^\s+mod\s+\S+\s+$nfpm_version\b"; then
  echo "== building nfpm $nfpm_version"
  go install "github.com/goreleaser/nfpm/v2/cmd/nfpm@$nfpm_version"
fi

# licences prints the licence of every module that is in the binary.
licences() {
  go list -deps -f '{{with .Module}}{{if not .Main}}{{.Path}} {{.Version}} {{.Dir}}{{end}}{{end}}' ./cmd/ebbline | sort -u |
    while read -r path release dir; do
      printf '\n==== %s %s\n\n' "$path" "$release"
      found=$(find "$dir" -maxdepth 1 -type f \( -iname 'licen[cs]e*' -o -iname 'copying*' -o -iname 'notice*' -o -iname 'edl-*' -o -iname 'epl-*' \) | sort)
      [ -n "$found" ] || { echo "no licence found in $path" >&2; exit 1; }
      while read -r file; do cat "$file"; done <<<"$found"
    done
}

work=$(mktemp -d)
trap 'rm -rf "$work"' EXIT
mkdir -p "$out"
licences >"$work/LICENSES"
for arch in "${archs[@]}"; do
  echo "== ebbline $version for linux/$arch"
  case $arch in
    amd64 | arm64) export GOARCH=$arch ARCH=$arch ;;
    armv7) export GOARCH=arm GOARM=7 ARCH=arm7 ;; # armhf in Debian
    *) echo "package.sh: no architecture $arch; amd64, arm64 or armv7" >&2; exit 2 ;;
  esac
  name=ebbline-$version-linux-$arch
  export TREE=$work/$arch
  mkdir -p "$TREE/$name"
  CGO_ENABLED=0 GOOS=linux GOFLAGS=-mod=readonly go build -trimpath -buildvcs=false \
    -ldflags "-s -w -buildid= -X main.version=$version -X main.commit=$commit" -o "$TREE/ebbline" ./cmd/ebbline
  cp "$work/LICENSES" "$TREE/"
  cp "$TREE/ebbline" "$work/LICENSES" LICENSE README.md "$TREE/$name/"
  cp deploy/README.md "$TREE/$name/deploy-README.md"
  cp -r deploy/configuration.md deploy/mirror.md deploy/ebbline.schema.json deploy/mosquitto deploy/prometheus deploy/grafana "$TREE/$name/"
  find "$TREE/$name" -name '*.go' -delete
  cp deploy/systemd/ebbline.service deploy/debian/ebbline.yaml "$TREE/$name/"
  chmod -R u=rwX,go=rX "$TREE"
  tar --sort=name --format=gnu --owner=0 --group=0 --numeric-owner --mtime="@$SOURCE_DATE_EPOCH" -C "$TREE" -c "$name" | gzip -n >"$out/$name.tar.gz"
  "$nfpm" package --config deploy/debian/nfpm.yaml --packager deb --target "$out/" >"$work/nfpm" || { cat "$work/nfpm" >&2; exit 1; }
done
(cd "$out" && sha256sum -- *.tar.gz *.deb >SHA256SUMS && cat SHA256SUMS)
