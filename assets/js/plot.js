// plot
