#!/bin/sh
# Fetches the corpora that the measurement reads, as Debian packages, unpacked
# under a folder; nothing is installed. Usage: fetch.sh DIR
set -eu
dir=${1:?usage: fetch.sh DIR}
mkdir -p "$dir/deb" "$dir/root" "$dir/lists/partial"
cd "$dir/deb"

packages="age
fortunes fortunes-min fortunes-bg fortunes-br fortunes-cs fortunes-de fortunes-eo fortunes-es fortunes-ga fortunes-it fortunes-pl fortunes-ru fortunes-zh
fortune-zh fortunes-bofh-excuses fortunes-debian-hints
wamerican wngerman wfrench witalian wspanish wpolish wdutch wswedish wnorwegian wdanish wportuguese wfinnish wbrazilian wcatalan wukrainian wbulgarian wswiss wesperanto wfaroese wgalician-minimos wmanx wogerman wirish
manpages manpages-de manpages-fr manpages-es manpages-it manpages-pl manpages-ru manpages-ja manpages-zh manpages-pt-br manpages-nl manpages-ro manpages-da manpages-cs manpages-hu manpages-fi manpages-uk manpages-sr manpages-vi manpages-ko manpages-sv manpages-nb manpages-id manpages-el manpages-mk
doc-debian debian-policy bible-kjv-text miscfiles dict-gcide hamradio-files
hunspell-he hunspell-ar hunspell-hi hunspell-bn hunspell-ta hunspell-te hunspell-th hunspell-fa hunspell-el hunspell-ko hunspell-vi hunspell-tr hunspell-hu hunspell-kk hunspell-be hunspell-lt hunspell-lv hunspell-et hunspell-eu hunspell-is hunspell-gl hunspell-hr hunspell-sl hunspell-sk hunspell-ne hunspell-gu hunspell-kmr hunspell-sw hunspell-af hunspell-br hunspell-gd hunspell-ml hunspell-si hunspell-lo hunspell-bo hunspell-sr hunspell-ro
aspell-hy aspell-am aspell-ka aspell-ml aspell-pa aspell-mr
"
for p in $packages; do
    ls "$p"_*.deb >/dev/null 2>&1 || apt-get download -qq "$p" 2>/dev/null || echo "fetch: no package $p here" >&2
done
for deb in *.deb; do
    name=${deb%%_*}
    [ -d "$dir/root/$name" ] || dpkg-deb -x "$deb" "$dir/root/$name"
done
# Translated package descriptions, from the archive's own lists.
apt-get update -qq -o Dir::State::lists="$dir/lists" \
    -o Acquire::Languages="en,de,fr,es,it,pl,ru,ja,ko,zh_CN,zh_TW,pt_BR,nl,da,sv,fi,hu,cs,sk,uk,vi,tr,ro,el,eo,ca,eu,lt,sr,hr,sl,bg,km,ar,he,fa,hi,th,ka" || true
mkdir -p "$dir/root/translations"
for list in "$dir"/lists/*_main_i18n_Translation-*; do
    language=$(echo "${list##*Translation-}" | sed 's/%5f/_/; s/[.].*//')
    /usr/lib/apt/apt-helper cat-file "$list" >> "$dir/root/translations/Translation-$language"
done
rm -rf "$dir/lists"
ls ./*.deb | sed 's|./||' > "$dir/versions.txt"
