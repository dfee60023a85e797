# Works out in R what the tests of this package compare with. Each line of the
# input is a question: its name and numbers, parted by blanks. Each line of the
# output is its answer.

likelihood <- function(k, m, s, n) lbeta(k * m + s, k * (1 - m) + n - s) - lbeta(k * m, k * (1 - m))

# choices come as rows of cost, cost of a strike, alpha and beta.
above <- function(ch, x) {
  p <- rep(1, length(x))
  for (j in seq_len(nrow(ch)))
    p <- p * pbeta((x - ch[j, 1]) / ch[j, 2], ch[j, 3], ch[j, 4], lower.tail = FALSE)
  p
}

# in_pieces integrates where the pieces meet at every kink.
in_pieces <- function(f, at) {
  at <- sort(unique(at))
  sum(sapply(seq_len(length(at) - 1), function(i)
    integrate(f, at[i], at[i + 1], rel.tol = 1e-9, abs.tol = 1e-12, subdivisions = 5000, stop.on.error = FALSE)$value))
}

levels <- c(0, 1e-6, 1e-4, 0.01, 0.1, 0.25, 0.5, 0.75, 0.9, 0.99, 0.9999, 1)

# cheapest is the probability that the first of the choices is the cheapest.
cheapest <- function(ch) {
  own <- ch[1, ]; others <- ch[-1, , drop = FALSE]
  f <- function(u) above(others, own[1] + own[2] * qbeta(u, own[3], own[4]))
  kinks <- pbeta((ch[, 1] - own[1]) / own[2], own[3], own[4])
  in_pieces(f, c(levels, kinks))
}

least <- function(ch) {
  low <- min(ch[, 1]); high <- min(ch[, 1] + ch[, 2])
  at <- c(low, high, ch[, 1], unlist(lapply(seq_len(nrow(ch)), function(j) ch[j, 1] + ch[j, 2] * qbeta(levels, ch[j, 3], ch[j, 4]))))
  low + in_pieces(function(x) above(ch, x), pmin(high, pmax(low, at)))
}

brier <- function(x) { # pairs of odds and outcome
  m <- matrix(x, ncol = 2, byrow = TRUE)
  mean((m[, 1] - m[, 2])^2)
}

for (line in readLines(file("stdin"))) {
  words <- strsplit(line, " ")[[1]]
  x <- as.numeric(words[-1])
  answer <- switch(words[1],
    pbeta = pbeta(x[1], x[2], x[3]),
    qbeta = qbeta(x[1], x[2], x[3]),
    likelihood = likelihood(x[1], x[2], x[3], x[4]),
    cheapest = cheapest(matrix(x, ncol = 4, byrow = TRUE)),
    least = least(matrix(x, ncol = 4, byrow = TRUE)),
    brier = brier(x),
    stop("no such question: ", words[1]))
  cat(sprintf("%.17g\n", answer))
}
