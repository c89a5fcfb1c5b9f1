#!/usr/bin/env bash
# Reads the licence of every module that is built into ebbline, in the module
# cache, and fails if one is missing, unknown or not permissive. A module may
# hold several files (code of others inside it): each must be known.
#
# --list prints them. The licences are told by sentences of their own texts.
set -euo pipefail
cd "$(dirname "$0")/.."

licence() { # file → name, nothing if unknown
  local t
  t=$(tr -s '[:space:]*#>' ' ' <"$1")
  case $t in
  *'GNU GENERAL PUBLIC'* | *'GNU AFFERO'* | *'GNU LESSER'* | *'Server Side Public'* | *'Business Source'* | *'Commons Clause'*) ;;
  *'Eclipse Distribution License'* | *'Eclipse Public License - v 2.0'*'Eclipse Distribution'*) echo EPL-2.0-or-BSD ;;
  *'Apache License'*'Version 2.0'* | *'apache.org/licenses/LICENSE-2.0'*) echo Apache-2.0 ;;
  *'Redistribution and use in source and binary forms'*'Neither the name'* | *'Redistribution and use in source and binary forms'*'names of its contributors'*) echo BSD-3-Clause ;;
  *'Redistribution and use in source and binary forms'*) echo BSD-2-Clause ;;
  *'Permission is hereby granted, free of charge, to any person obtaining a copy'*) echo MIT ;;
  *'Permission to use, copy, modify, and'*'distribute this software'*) echo ISC ;;
  *'blessing'* | *'public domain'* | *'Public Domain'*) echo public-domain ;;
  esac
}

bad=0 count=0
while read -r module version dir; do
  count=$((count + 1))
  names=() files=0
  for f in "$dir"/*; do
    case $(basename "$f" | tr '[:upper:]' '[:lower:]') in
    license-logo*) continue ;; # of a picture that is not built in
    licence* | license* | copying*) ;;
    *) continue ;;
    esac
    [ -f "$f" ] || continue
    files=$((files + 1))
    name=$(licence "$f")
    if [ -z "$name" ]; then
      echo "licences: $module $version: $(basename "$f") is no permissive licence known here: read it, then teach deploy/licences.sh or drop the module" >&2
      bad=1
    fi
    names+=("${name:-unknown}")
  done
  if [ "$files" = 0 ]; then
    echo "licences: $module $version has no licence file: it may not be built in" >&2
    bad=1
  fi
  [ "${1:-}" != --list ] || echo "$module $version: ${names[*]:-none}"
done < <(go list -deps -f '{{with .Module}}{{if not .Main}}{{.Path}} {{.Version}} {{.Dir}}{{end}}{{end}}' ./cmd/ebbline | sort -u)
[ "$count" -gt 10 ] || { echo "licences: only $count modules were listed; was 'go list' cut off?" >&2; exit 1; }
[ "$bad" = 0 ] && echo "licences: $count modules, all permissive"
exit "$bad"
