package room

import (
	"crypto/sha256"
	"embed"
	"encoding/hex"
	"errors"
	"fmt"
	"html/template"
	"io/fs"
	"net/http"
	"path"
	"strings"

	"github.com/evanw/esbuild/pkg/api"
)

//go:embed web
var web embed.FS

// asset is a script or a style as it is sent.
type asset struct {
	body []byte
	kind string // media type
	sum  string // in its address, so that a browser may keep it for good
}

// bundle makes one script of each web/page-*.ts, with what it imports, and takes
// the style as it is. Nothing built is kept in the repository, so nothing built can
// be stale; it takes some 20 ms.
func bundle() (map[string]asset, error) {
	scripts, err := fs.Glob(web, "web/page-*.ts")
	if err != nil {
		return nil, err
	}
	out := map[string]asset{}
	for _, name := range scripts {
		res := api.Build(api.BuildOptions{
			EntryPoints: []string{name}, Bundle: true, Write: false, Outdir: "/",
			Format: api.FormatESModule, Target: api.ES2020, TreeShaking: api.TreeShakingTrue,
			MinifySyntax: true, MinifyWhitespace: true, MinifyIdentifiers: true,
			LogLevel: api.LogLevelSilent, Plugins: []api.Plugin{embedded},
		})
		var bad []error
		for _, m := range append(res.Errors, res.Warnings...) {
			bad = append(bad, fmt.Errorf("bundle %s: %s", name, m.Text))
		}
		if len(bad) > 0 {
			return nil, errors.Join(bad...)
		}
		out[strings.TrimSuffix(path.Base(name), ".ts")+".js"] = newAsset(res.OutputFiles[0].Contents, "text/javascript; charset=utf-8")
	}
	css, err := web.ReadFile("web/style.css")
	if err != nil {
		return nil, err
	}
	small := api.Transform(string(css), api.TransformOptions{Loader: api.LoaderCSS, MinifyWhitespace: true})
	if len(small.Errors) > 0 {
		return nil, fmt.Errorf("style.css: %s", small.Errors[0].Text)
	}
	out["style.css"] = newAsset(small.Code, "text/css; charset=utf-8")
	return out, nil
}

func newAsset(body []byte, kind string) asset {
	sum := sha256.Sum256(body)
	return asset{body, kind, hex.EncodeToString(sum[:6])}
}

// embedded lets the bundler read from web and nowhere else.
var embedded = api.Plugin{Name: "embedded", Setup: func(b api.PluginBuild) {
	b.OnResolve(api.OnResolveOptions{Filter: ".*"}, func(a api.OnResolveArgs) (api.OnResolveResult, error) {
		name := path.Clean(a.Path)
		if a.Importer != "" {
			name = path.Join(path.Dir(a.Importer), strings.TrimSuffix(a.Path, ".js"))
			if path.Ext(name) == "" {
				name += ".ts"
			}
		}
		return api.OnResolveResult{Path: name, Namespace: "web"}, nil
	})
	b.OnLoad(api.OnLoadOptions{Filter: ".*", Namespace: "web"}, func(a api.OnLoadArgs) (api.OnLoadResult, error) {
		text, err := web.ReadFile(a.Path)
		if err != nil {
			return api.OnLoadResult{}, err
		}
		s, loader := string(text), api.LoaderTS
		if path.Ext(a.Path) == ".json" {
			loader = api.LoaderJSON
		}
		return api.OnLoadResult{Contents: &s, Loader: loader}, nil
	})
}}

// static sends a script or the style.
func (rm *Room) static(w http.ResponseWriter, r *http.Request) error {
	a, ok := rm.assets[r.PathValue("name")]
	if !ok {
		return fmt.Errorf("%w: %s", errNotFound, r.URL.Path)
	}
	if r.URL.Query().Get("v") == a.sum {
		w.Header().Set("Cache-Control", "public, max-age=31536000, immutable")
	}
	w.Header().Set("Content-Type", a.kind)
	_, err := w.Write(a.body)
	return err
}

// parsePages reads every page of web into a copy of the layout.
func parsePages(assets map[string]asset) (map[string]*template.Template, error) {
	funcs := template.FuncMap{
		"word": word, "words": words,
		"asset": func(name string) (string, error) {
			a, ok := assets[name]
			if !ok {
				return "", fmt.Errorf("no asset %q", name)
			}
			return "/static/" + name + "?v=" + a.sum, nil
		},
	}
	base, err := template.New("layout").Funcs(funcs).ParseFS(web, "web/layout.html", "web/parts-*.html")
	if err != nil {
		return nil, fmt.Errorf("read pages: %w", err)
	}
	names, err := fs.Glob(web, "web/*.html")
	if err != nil {
		return nil, err
	}
	out := map[string]*template.Template{}
	for _, name := range names {
		short := strings.TrimSuffix(path.Base(name), ".html")
		if short == "layout" || strings.HasPrefix(short, "parts-") {
			continue
		}
		t, err := base.Clone()
		if err == nil {
			t, err = t.ParseFS(web, name)
		}
		if err != nil {
			return nil, fmt.Errorf("read page %s: %w", short, err)
		}
		out[short] = t
	}
	return out, nil
}
