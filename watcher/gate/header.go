package gate

import "net/http"

// contentPolicy lets a page load what this server serves, send forms to it and
// nothing else: no inline script or style, nothing from elsewhere, no frame
// around it.
const contentPolicy = "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; connect-src 'self'; " +
	"base-uri 'none'; form-action 'self'; frame-ancestors 'none'"

// setHeaders sets what every answer carries, as the OWASP HTTP Headers Cheat
// Sheet lists it. Two differ from the strictest there: with "no-referrer" a
// browser would send a form's Origin as "null", by which forms are told apart
// from those of other sites; and live data is kept by no cache, which an asset
// overrides for itself.
func (g *Gate) setHeaders(h http.Header) {
	h.Set("Content-Security-Policy", contentPolicy)
	h.Set("X-Content-Type-Options", "nosniff")
	h.Set("X-Frame-Options", "DENY")
	h.Set("Referrer-Policy", "same-origin")
	h.Set("Cross-Origin-Opener-Policy", "same-origin")
	h.Set("Cross-Origin-Resource-Policy", "same-origin")
	h.Set("Permissions-Policy", "camera=(), display-capture=(), geolocation=(), microphone=(), payment=(), usb=(), serial=()")
	h.Set("Cache-Control", "no-store")
	if g.secure {
		h.Set("Strict-Transport-Security", "max-age=31536000")
	}
}
