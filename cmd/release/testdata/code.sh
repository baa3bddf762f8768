# Runs inside the emulated card: says the pairing code, which is on its screen.
until code=$(stillwater pairing --json 2>/dev/null | sed -n 's/.*"code":"\([^"]*\)".*/\1/p') && [ -n "$code" ]; do sleep 1; done
echo "TRIAL note code $code"
echo "TRIAL done"
