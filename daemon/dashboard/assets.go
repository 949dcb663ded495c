package dashboard

import (
	"crypto/sha256"
	"embed"
	"encoding/hex"
	"fmt"
	"net/http"
	"path"
	"strings"
)

//go:embed templates/*.html assets/*
var files embed.FS

// assets are the few files beside the pages. Their addresses hold a hash of what is in
// them: a browser keeps them for good, and a new program never meets an old script.
type assets struct {
	byName map[string]asset
	urls   map[string]string
}

type asset struct {
	kind string
	text []byte
}

func loadAssets() (*assets, error) {
	const script = "text/javascript; charset=utf-8"
	a := &assets{map[string]asset{}, map[string]string{}}
	for name, kind := range map[string]string{ // each by itself
		"keyturn.css": "text/css; charset=utf-8",
		"live.js":     script,
		"wave.js":     script,
		"hand.js":     script,
		"waiting.js":  script,
		"meter.js":    script,
		"mark.svg":    "image/svg+xml",

		"uplot/uPlot.iife.min.js": script,
		"uplot/uPlot.min.css":     "text/css; charset=utf-8",
	} {
		text, err := files.ReadFile("assets/" + name)
		if err != nil {
			return nil, fmt.Errorf("dashboard: %w", err)
		}
		sum := sha256.Sum256(text)
		ext := path.Ext(name)
		hashed := strings.TrimSuffix(path.Base(name), ext) + "." + hex.EncodeToString(sum[:6]) + ext
		a.byName[hashed], a.urls[name] = asset{kind, text}, "/assets/"+hashed
	}
	return a, nil
}

// url is where a file is to be had.
func (a *assets) url(name string) (string, error) {
	u, ok := a.urls[name]
	if !ok {
		return "", fmt.Errorf("no asset %q", name)
	}
	return u, nil
}

func (a *assets) serve(w http.ResponseWriter, r *http.Request) {
	f, ok := a.byName[r.PathValue("name")]
	if !ok {
		http.Error(w, "There is no such file.", http.StatusNotFound)
		return
	}
	w.Header().Set("Cache-Control", "public, max-age=31536000, immutable")
	w.Header().Set("Content-Type", f.kind)
	reply(w, r, http.StatusOK, f.text)
}
