"""The face of the answers: words, JSON, pictures and the page. What draws here never computes."""
