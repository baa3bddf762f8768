// Package web holds the page: plain HTML, CSS and ES modules that run as written. Files lists what is served and
// nothing else, so that the type declarations and this file never leave the machine.
package web

import "embed"

// Files is the page. Its root holds index.html.
//
//go:embed index.html style.css icon.svg lookback.css studio.css
//go:embed js/*.js js/drawings/*.js js/lookback/*.js js/studio/*.js
var Files embed.FS
