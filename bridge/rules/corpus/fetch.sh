#!/bin/sh
# Fetches the corpora that the measurement reads, as Debian packages, unpacked
# under a folder; nothing is installed. What lies in heldout is measured and
# never learned or tuned on. Usage: fetch.sh DIR
set -eu
dir=${1:?usage: fetch.sh DIR}
mkdir -p "$dir/deb" "$dir/root" "$dir/heldout" "$dir/fresh" "$dir/untouched" "$dir/last" "$dir/once" "$dir/tools" "$dir/lists/partial"
cd "$dir/deb"

corpora="fortunes fortunes-min fortunes-bg fortunes-br fortunes-cs fortunes-de fortunes-eo fortunes-es fortunes-ga fortunes-it fortunes-pl fortunes-ru fortunes-zh
fortunes-bofh-excuses fortunes-debian-hints
wamerican wngerman wfrench witalian wspanish wpolish wdutch wswedish wnorwegian wdanish wportuguese wfinnish wbrazilian wcatalan wukrainian wbulgarian wswiss wesperanto wfaroese wgalician-minimos wmanx wogerman wirish
manpages manpages-de manpages-fr manpages-es manpages-it manpages-pl manpages-ru manpages-ja manpages-zh manpages-pt-br manpages-nl manpages-ro manpages-da manpages-cs manpages-hu manpages-fi manpages-uk manpages-sr manpages-vi manpages-ko manpages-sv manpages-nb manpages-id manpages-el manpages-mk
doc-debian debian-policy bible-kjv-text miscfiles dict-gcide hamradio-files
hunspell-he hunspell-ar hunspell-hi hunspell-bn hunspell-ta hunspell-te hunspell-th hunspell-fa hunspell-el hunspell-ko hunspell-vi hunspell-tr hunspell-hu hunspell-kk hunspell-be hunspell-lt hunspell-lv hunspell-et hunspell-eu hunspell-is hunspell-gl hunspell-hr hunspell-sl hunspell-sk hunspell-ne hunspell-gu hunspell-kmr hunspell-sw hunspell-af hunspell-br hunspell-gd hunspell-ml hunspell-si hunspell-lo hunspell-bo hunspell-sr hunspell-ro
aspell-hy aspell-am aspell-ka aspell-ml aspell-pa aspell-mr"

heldout="fortunes-mario fortune-anarchism
debian-reference-de debian-reference-en debian-reference-es debian-reference-fr debian-reference-id debian-reference-it debian-reference-ja debian-reference-pt debian-reference-zh-cn debian-reference-zh-tw
debian-faq debian-faq-de debian-faq-fr debian-faq-it debian-faq-ja debian-faq-ko debian-faq-nl debian-faq-pt debian-faq-ru debian-faq-zh-cn
developers-reference-de developers-reference-fr developers-reference-it developers-reference-ja developers-reference-ru
manpages-dev git-man gnupg-l10n util-linux-locales coreutils apt dpkg iso-codes libgtk2.0-common wamerican-large"

fresh="debian-handbook installation-guide-amd64
aptitude-doc-cs aptitude-doc-es aptitude-doc-fi aptitude-doc-fr aptitude-doc-it aptitude-doc-ja aptitude-doc-nl aptitude-doc-ru
maint-guide-ca maint-guide-de maint-guide-es maint-guide-fr maint-guide-it maint-guide-ja maint-guide-ru maint-guide-zh-cn
debmake-doc git-doc bash-doc vim-runtime anarchism apt-doc sqlite3-doc hunspell-uk hunspell-mn vlc-l10n mc-data wget lynx screen"

untouched="manpages-de-dev manpages-fr-dev manpages-es-dev manpages-tr manpages-pl-dev manpages-uk-dev adduser passwd man-db debhelper procps iproute2 openssh-client rsync
gnome-user-docs harden-doc debian-history libreoffice-help-hi libreoffice-help-el libreoffice-help-km libreoffice-help-ko libreoffice-help-tr libreoffice-help-vi debian-edu-doc-de debian-edu-doc-fr debian-edu-doc-es debian-edu-doc-ja debian-edu-doc-nl
evolution-common python3-django e2fsprogs-l10n libvirt-l10n wordpress-l10n
tzdata locales exim4-config keyboard-configuration grub-pc samba-common dbconfig-common slapd popularity-contest
hunspell-bg hunspell-ca hunspell-da hunspell-dz hunspell-es hunspell-gug hunspell-it hunspell-oc hunspell-uz hunspell-bs
dict-freedict-ara-eng dict-freedict-jpn-eng dict-freedict-kha-eng dict-freedict-eng-hin dict-freedict-san-deu dict-freedict-ell-eng dict-freedict-kur-eng dict-foldoc dict-vera dict-elements
linux-libc-dev fortunes-eo-iso3 weather-util-data"

last="manpages-ru-dev manpages-pt-br-dev manpages-ja-dev manpages-nl-dev manpages-it-dev po4a dpkg-dev tmux nftables lsof util-linux systemd
libreoffice-help-om libreoffice-help-dz libreoffice-help-et libreoffice-help-fi libreoffice-help-ja libreoffice-help-ru libreoffice-help-zh-tw libreoffice-help-eu weechat-doc debian-edu-doc-it
wesnoth-1.16-l gcc-12-locales krb5-locales gutenprint-locales libc-l10n
cups nslcd postfix console-setup mariadb-server roundcube-core tripwire iodine
hunspell-cs hunspell-fr hunspell-id hunspell-no hunspell-pl hunspell-an hunspell-de-at
dict-freedict-ckb-kmr dict-freedict-lit-eng dict-freedict-swh-eng dict-freedict-wol-fra dict-freedict-jpn-rus dict-freedict-deu-rus dict-jargon dict-devil display-dhammapada"

once="libreoffice-help-de libreoffice-help-cs libreoffice-help-hu libreoffice-help-sv libreoffice-help-pt-br libreoffice-help-zh-cn apache2-doc lilypond-doc-html-ja lilypond-doc-html-fr gimp-help-nl gimp-help-ru gimp-help-ko gnucash-docs postgresql-doc-15 zsh-doc python3-doc perl-doc
manpages-da-dev nmap mutt gawk cryptsetup-bin openvpn rsyslog xlog-data wsjtx-doc gpsd-clients
libglib2.0-data gnome-control-center-data nautilus-data gedit-common evince-common gimp-data inkscape audacity-data pidgin-data hexchat-common aisleriot libsane-common bash tar gettext texinfo kstars-data
hunspell-en-gb hunspell-nl hunspell-sv hunspell-pt-br hunspell-ru hunspell-de-ch
dict-freedict-fra-eng dict-freedict-hun-eng dict-freedict-tur-eng dict-freedict-cym-eng dict-freedict-hrv-eng dict-freedict-gle-eng dict-freedict-eng-por dict-freedict-afr-deu
phpmyadmin dokuwiki courier-base cacti ca-certificates unattended-upgrades wireshark-common jackd2 x11-common gdm3 isc-dhcp-server"

# unpack DIR PACKAGE…: gets what the archive has, and names what it has not.
unpack() {
    into=$1
    shift
    known=$(printf '%s\n' "$@" | sort | comm -12 - "$dir/known")
    printf '%s\n' "$@" | sort | comm -23 - "$dir/known" | sed 's/^/fetch: not in this archive: /' >&2
    for p in $known; do
        ls "$p"_*.deb >/dev/null 2>&1 || echo "$p"
    done | xargs -r apt-get download -qq
    for p in $known; do
        [ -d "$into/$p" ] && continue
        dpkg-deb -x "$p"_*.deb "$into/$p"
        dpkg-deb -e "$p"_*.deb "$into/$p/DEBIAN" # the questions it asks
    done
}
apt-cache pkgnames | sort > "$dir/known"
unpack "$dir/root" $corpora
unpack "$dir/heldout" $heldout
unpack "$dir/fresh" $fresh
unpack "$dir/untouched" $untouched
unpack "$dir/last" $last
unpack "$dir/once" $once
unpack "$dir/tools" age

# Translated package descriptions, from the archive's own lists.
if [ ! -d "$dir/root/translations" ]; then
    apt-get update -qq -o Dir::State::lists="$dir/lists" \
        -o Acquire::Languages="en,de,fr,es,it,pl,ru,ja,ko,zh_CN,zh_TW,pt_BR,nl,da,sv,fi,hu,cs,sk,uk,vi,tr,ro,el,eo,ca,eu,lt,sr,hr,sl,bg,km,ar,he,fa,hi,th,ka" || true
    mkdir -p "$dir/root/translations"
    for list in "$dir"/lists/*_main_i18n_Translation-*; do
        language=$(echo "${list##*Translation-}" | sed 's/%5f/_/; s/[.].*//')
        /usr/lib/apt/apt-helper cat-file "$list" >> "$dir/root/translations/Translation-$language"
    done
fi
rm -rf "$dir/lists" "$dir/known"
ls ./*.deb | sed 's|./||' > "$dir/versions.txt"
